"""``map.html``: one file that opens anywhere with no network, from none to a million trees."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from riskmap.deliver.html_map import columns, ground, many, meta, page, still, words
from riskmap.deliver.html_map.background import background_picture
from riskmap.deliver.html_map.encode import PACK_FROM, Payload, nearest_steps, place_on_grid, unturned
from riskmap.deliver.html_map.many import Lookout, Overview, add_overview, pick_trees
from riskmap.draw.classes import action_classes, guard_classes
from riskmap.draw.reach import result_box, site_reach
from riskmap.draw.tiles import tiles_of
from riskmap.model import IntArray, Result

__all__ = ["map_page", "write_map"]

FILE = "map.html"


def write_map(result: Result, folder: Path) -> list[str]:
    """Write ``map.html``.

    Parameters
    ----------
    result : Result
        One whole run.
    folder : Path
        Where the file goes.

    Returns
    -------
    list of str
        Names of the files written.
    """
    (folder / FILE).write_bytes(map_page(result))
    return [FILE]


def map_page(result: Result) -> bytes:
    """Return the page's bytes; the same result gives the same bytes."""
    site, settings = result.site, result.site.inputs.settings
    guards, actions = guard_classes(result), action_classes(result)
    payload = Payload()
    lon, turned = unturned(site.trees.lon)
    on_page, overview = _on_page(result)
    if overview is not None and overview.look.turned and not turned:
        lon, turned = np.where(lon < 0, lon + 360.0, lon), True
    grid = place_on_grid(lon[on_page], site.trees.lat[on_page], site.trees.placed[on_page])
    order = on_page[grid.order]
    columns.add_trees(payload, result, grid, order, guards, actions)
    box = result_box(result)
    frame = meta.frame(result, grid, box, turned=turned)
    layers = ground.add_ground(payload, frame, box)
    layers += ground.add_fences(payload, frame, result.choices.extra.get("fences", ()))
    reaches = ground.add_reach(payload, frame, box, site_reach(result))
    hexagons = add_overview(payload, overview, frame) if overview is not None else None
    picture = background_picture(site, box)
    if picture is not None:
        payload.add_bytes("picture", "bytes", picture.data)
    packed = payload.size > 400_000 or site.trees.n >= PACK_FROM
    tiles = tiles_of(settings.map.tiles, settings.map.attribution)
    text = words.page_words(result, guards, on_page=len(order))
    alt = f"Map of {text['count_text']} by recommended guard, with the ground around; the table below has the counts."
    known = {agent: place for place, agent in enumerate(result.pressure.agents)}
    return page.render_page(
        context={**text, "picture": still.still_picture(site, guards, box, alt)},
        meta={
            **meta.tree_meta(result, len(order), guards, actions),
            "packed": packed,
            "columns": payload.table,
            "grid": grid.page(),
            "nearest_steps": nearest_steps(grid),
            "view": meta.view(result, order[: int(grid.count.sum())], lon, box, overview.look if overview else None),
            "frame": {"x": frame.origin_x, "y": frame.origin_y, "step": frame.step},
            "ground": layers,
            "reach": [entry | {"agent": known[entry["agent"]]} for entry in reaches if entry["agent"] in known],
            "overview": hexagons,
            "headlines": text["summary"],
            "picture": {"kind": "image/webp", "bounds": picture.bounds} if picture else None,
            "tiles": tiles.page() if tiles else None,
        },
        data=payload.text(pack=packed),
        picture_hosts=tiles.policy if tiles else "",
    )


def _on_page(result: Result) -> tuple[IntArray, Overview | None]:
    """The trees that go onto the page, and an overview of all where these are only the worst of too many."""
    n = result.site.trees.n
    if n < result.tally.rows:  # done part by part: the result holds the worst already
        return np.arange(n), result.once("overview", lambda: None)
    if n <= many.MOST_TREES:
        return np.arange(n), None
    look = Lookout.of(result.site.trees.lon, result.site.trees.lat)
    return pick_trees(result, most=many.WORST_TREES), Overview.of(result, look)
