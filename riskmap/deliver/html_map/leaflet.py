"""Leaflet from its PyPI package, checked byte for byte, fit to stand inside one page."""

from __future__ import annotations

import base64
import hashlib
import re
from importlib import resources
from typing import Final

from riskmap.errors import MachineError

__all__ = ["LICENCE", "leaflet_script", "leaflet_style"]

PACKAGE: Final = "js_lib_leaflet"
SHA256: Final = {
    "leaflet.js": "db49d009c841f5ca34a888c96511ae936fd9f5533e90d8b2c4d57596f4e5641a",  # 1.9.4, equal to upstream's
    "leaflet.css": "a7837102824184820dfa198d1ebcd109ff6d0ff9a2672a074b9a1b4d147d04c6",
}
# The text of Leaflet's own licence: third-party text, as its package carries it.
LICENCE: Final = (
    resources.files("riskmap.deliver.html_map").joinpath("static", "leaflet-licence.txt").read_text(encoding="utf-8")
)


def leaflet_script() -> str:
    """Return Leaflet's script with its licence before it and no pointer to a file beside the page."""
    code = re.sub(r"//# sourceMappingURL=\S*", "", _checked("leaflet.js").decode("utf-8")).rstrip()
    return f"/*!\nLeaflet 1.9.4\n{LICENCE}*/\n{code}\n"


def leaflet_style() -> str:
    """Return Leaflet's style sheet with its pictures inside it."""
    style = _checked("leaflet.css").decode("utf-8").replace("behavior: url(#default#VML);", "")
    return re.sub(r"url\((images/[\w.-]+)\)", lambda found: f"url({_data_uri(found[1])})", style)


def _data_uri(name: str) -> str:
    """A picture of the package as text."""
    return f"data:image/png;base64,{base64.b64encode(_file(name)).decode('ascii')}"


def _checked(name: str) -> bytes:
    """A file of the package, refused unless it is the one this page was tested with."""
    data = _file(name)
    if hashlib.sha256(data).hexdigest() != SHA256[name]:
        raise MachineError(
            f"{name} of the package django-js-lib-leaflet is not that of Leaflet 1.9.4; "
            "install it again: pip install --force-reinstall 'django-js-lib-leaflet>=1.9.4,<2'"
        )
    return data


def _file(name: str) -> bytes:
    """Bytes of one file of the package."""
    try:
        return resources.files(PACKAGE).joinpath("static", PACKAGE, *name.split("/")).read_bytes()
    except (ModuleNotFoundError, FileNotFoundError) as error:
        raise MachineError(
            "the map needs the package django-js-lib-leaflet; install it: pip install 'django-js-lib-leaflet>=1.9.4,<2'"
        ) from error
