"""The page around the map: the only module that imports folium or branca.

Branca compiles what macros return as Jinja a second time, so a cell `{{ ... }}` handed to folium would run on the
user's machine. No text of the user passes through it: what the user wrote stands in an autoescaped template, in
escaped JSON, or in base64. Everything else goes through `Raw`, which no template engine looks at.
"""

from __future__ import annotations

import base64
import hashlib
import json
import re
from collections.abc import Mapping
from functools import cache
from importlib import resources
from typing import Any, Final

import folium
import jinja2
from branca.element import Element, Figure
from folium.template import Template
from markupsafe import Markup

from riskmap.deliver.html_map.leaflet import leaflet_script, leaflet_style

__all__ = ["json_block", "render_page"]

SCRIPTS: Final = (
    "data.js", "symbols.js", "layer.js", "ground.js", "card.js", "key.js", "table.js", "field.js", "print.js",
    "start.js",
)  # fmt: skip
NEUTRAL: Final = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ud800-\udfff]")


class Raw(Element):
    """Text that no template engine sees again."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.text = text

    def render(self, **_: Any) -> str:
        """Return the text as it is."""
        return self.text


class SiteMap(folium.Map):
    """A folium map that asks for no file and starts our own page."""

    default_js: list[Any] = []  # noqa: RUF012 - folium reads it from the class and writes only to its own
    default_css: list[Any] = []  # noqa: RUF012 - the same
    _template = Template("""
{% macro header(this, kwargs) %}{% endmacro %}
{% macro html(this, kwargs) %}<div class="folium-map" id={{ this.get_name()|tojson }}></div>{% endmacro %}
{% macro script(this, kwargs) %}
riskmapStart({{ this.get_name()|tojson }}, {center: {{ this.location|tojson }}, crs: L.CRS.{{ this.crs }},
  ...{{ this.options|tojavascript }}});
{% endmacro %}""")

    def render(self, **kwargs: Any) -> Any:
        """Refuse children that would bring files or text of their own into the page, then render."""
        for child in self._children.values():
            if not isinstance(child, Raw):
                raise TypeError(f"the map's page takes no {type(child).__name__}: only its own layers are safe in it")
        return super().render(**kwargs)  # type: ignore[no-untyped-call]  # folium types part of itself


class PageFigure(Figure):
    """The page skeleton, escaped, with a content policy that names each script by its hash."""

    def __init__(self, context: Mapping[str, Any], picture_hosts: str) -> None:
        super().__init__()
        self.context, self.picture_hosts = context, picture_hosts

    def render(self, **kwargs: Any) -> str:
        """Return the whole page."""
        for child in list(self._children.values()):
            child.render(**kwargs)
        self.header._children.clear()  # folium writes page-wide styles and switches there
        self.header.add_child(Raw(f"<script>{leaflet_script()}</script>"), name="leaflet")
        page: str = _template().render(
            head=Markup(self.header.render(**kwargs)),
            body=Markup(self.html.render(**kwargs)),
            script=Markup(f"<script>{self.script.render(**kwargs)}</script>"),
            **self.context,
        )
        return page.replace("@@POLICY@@", _policy(page, self.picture_hosts), 1)


def render_page(*, context: Mapping[str, Any], meta: Mapping[str, Any], data: str, picture_hosts: str = "") -> bytes:
    """Return the page's bytes.

    Parameters
    ----------
    context : mapping
        What the page template shows; escaped there.
    meta : mapping
        What the page's script needs to know before unpacking.
    data : str
        Base64 of the packed columns.
    picture_hosts : str
        Hosts of online tiles the user named, for the content policy; empty for none.
    """
    figure = PageFigure(
        {
            **context,
            "style": Markup(leaflet_style() + _outdented(_static("app.css"))),
            "meta": Markup(json_block(meta)),
            "data": Markup(data),
            "app": Markup(app_script()),
        },
        picture_hosts,
    )
    site_map = SiteMap(
        location=meta["view"]["centre"],
        tiles=None,
        max_zoom=22,
        min_zoom=1,
        zoom_snap=0.25,
        zoom_delta=0.75,
        zoom_control=False,
        attribution_control=False,
        world_copy_jump=False,
    )
    site_map._id = "site"  # folium's own is random: the same site must give the same bytes
    site_map.add_to(figure)
    text = figure.render()
    return text.encode("utf-8", "replace")


def json_block(value: object) -> str:
    """Return JSON that may stand inside a script element: no mark in it can end the element or start another."""
    text = json.dumps(value, allow_nan=False, ensure_ascii=True, separators=(",", ":"))
    return text.replace("&", "\\u0026").replace("<", "\\u003c").replace(">", "\\u003e")


@cache
def app_script() -> str:
    """Return the page's own script, its files joined in order."""
    return '"use strict";\n' + _outdented("\n".join(_static(name) for name in SCRIPTS))


@cache
def _template() -> jinja2.Template:
    """The page template; every value is escaped and a forgotten one is an error."""
    shown = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    shown.finalize = lambda value: NEUTRAL.sub("\ufffd", value) if type(value) is str else value
    return shown.from_string(_static("page.html.j2"))


def _outdented(code: str) -> str:
    """Code without its indentation, a tenth of its bytes."""
    return re.sub(r"\n\s+", "\n", code)


def _static(name: str) -> str:
    """Text of one file beside this module."""
    return resources.files("riskmap.deliver.html_map").joinpath("static", name).read_text(encoding="utf-8")


def _policy(page: str, picture_hosts: str) -> str:
    """A content policy that lets in this page's scripts by hash and nothing from elsewhere."""
    scripts = re.findall(r"<script>(.*?)</script>", page, re.DOTALL)
    hashes = " ".join(
        f"'sha256-{base64.b64encode(hashlib.sha256(code.encode('utf-8', 'replace')).digest()).decode('ascii')}'"
        for code in scripts
    )
    pictures = f"data: blob:{' ' + picture_hosts if picture_hosts else ''}"
    return (
        f"default-src 'none'; script-src {hashes}; style-src 'unsafe-inline'; img-src {pictures}; "
        "base-uri 'none'; form-action 'none'"
    )
