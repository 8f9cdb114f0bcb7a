"""The user's own picture under the map, as WebP inside the page."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from riskmap.deliver.html_map.encode import MERCATOR_RADIUS_M
from riskmap.model import Site

__all__ = ["Picture", "background_picture"]

LONGEST: Final = 2048
MOST_BYTES: Final = 4_000_000
QUALITY: Final = 75


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A picture's bytes and where its corners lie: south west, north east. [degrees]"""

    data: bytes
    bounds: list[list[float]]


def background_picture(site: Site, box: tuple[float, float, float, float] | None) -> Picture | None:
    """Return the picture that ``map.background`` names, cut to the box; None where there is none to see.

    Parameters
    ----------
    site : Site
        Gives the settings and the working CRS.
    box : tuple of float or None
        Where the map looks, left bottom right top. [m]
    """
    settings = site.inputs.settings
    if not settings.map.background or box is None:
        return None
    from riskmap.project.picture import picture_window, to_web_mercator
    from riskmap.read.background import read_background

    source = read_background(settings)
    if source is None:
        return None
    window = picture_window(site, box, source.crs, source.transform, source.width, source.height)
    if window is None:
        return None
    rows, columns = window
    high, wide = rows[1] - rows[0], columns[1] - columns[0]
    thin = max(1.0, max(high, wide) / (2 * LONGEST))
    shape = max(1, round(high / thin)), max(1, round(wide / thin))
    cells = source.read(rows, columns, shape)
    a, b, c, d, e, f = source.transform
    corner = a * columns[0] + b * rows[0] + c, d * columns[0] + e * rows[0] + f
    wider, higher = wide / shape[1], high / shape[0]
    place = a * wider, b * higher, corner[0], d * wider, e * higher, corner[1]
    longest = LONGEST
    while True:
        drawn, (west, south, east, north) = to_web_mercator(cells, place, source.crs, longest=longest)
        data = _webp(drawn)
        if len(data) <= MOST_BYTES or longest <= 512:
            break
        longest = round(longest * 0.75)
    return Picture(data=data, bounds=[[_latitude(south), _longitude(west)], [_latitude(north), _longitude(east)]])


def _webp(cells: npt.NDArray[np.uint8]) -> bytes:
    """Red, green, blue, opacity as WebP."""
    import rasterio
    from rasterio.errors import NotGeoreferencedWarning

    with rasterio.Env(), rasterio.MemoryFile() as memory:
        import warnings

        with warnings.catch_warnings():
            warnings.simplefilter("ignore", NotGeoreferencedWarning)  # the page holds the place, not the picture
            with memory.open(
                driver="WEBP", width=cells.shape[2], height=cells.shape[1], count=4, dtype="uint8", QUALITY=QUALITY
            ) as file:
                file.write(cells)
        return bytes(memory.read())


def _longitude(x_m: float) -> float:
    """Longitude of a place of the world map."""
    return math.degrees(x_m / MERCATOR_RADIUS_M)


def _latitude(y_m: float) -> float:
    """Latitude of a place of the world map."""
    return math.degrees(math.atan(math.sinh(y_m / MERCATOR_RADIUS_M)))
