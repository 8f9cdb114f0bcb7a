"""The user's own picture for the map's background: an aerial photo or a scan as GeoTIFF."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pyproj
import rasterio
from rasterio.enums import ColorInterp, Resampling
from rasterio.windows import Window

from riskmap.errors import InputError, Problem, shown
from riskmap.model import RasterSource, Settings
from riskmap.read.rasters import RasterReading, read_raster

__all__ = ["Background", "look_at_background", "read_background"]

Cells = npt.NDArray[np.uint8]
KEY = "map.background"


@dataclass(frozen=True, slots=True, kw_only=True)
class Background:
    """A picture's grid, and a function that reads a window of it as red, green, blue, opacity.

    `read(rows, columns, (high, wide))` returns shape (4, high, wide).
    """

    crs: pyproj.CRS
    transform: tuple[float, float, float, float, float, float]  # affine a b c d e f, corner based
    width: int
    height: int
    read: Callable[[tuple[int, int], tuple[int, int], tuple[int, int]], Cells]


def read_background(settings: Settings) -> Background | None:
    """Open the picture that ``map.background`` names; None where it names none.

    Raises
    ------
    InputError
        The file is refused, damaged, or has no place on the ground.
    """
    if not settings.map.background:
        return None
    (reading,) = look_at_background(settings)
    if reading.raster is None:
        raise InputError(reading.problems)
    path, raster = settings.resolve(settings.map.background), reading.raster

    def read(rows: tuple[int, int], columns: tuple[int, int], shape: tuple[int, int]) -> Cells:
        try:
            with rasterio.Env(GDAL_PAM_ENABLED="NO"), rasterio.open(path, driver="GTiff") as opened:
                return _picture(opened, Window.from_slices(rows, columns), shape)
        except (rasterio.errors.RasterioError, OSError, ValueError) as error:
            what = f"the GeoTIFF does not read; it may be damaged or cut off ({shown(error)})"
            problem = Problem(file=settings.map.background, what=what, remedy="download or send it again", key=KEY)
            raise InputError([problem]) from error

    return Background(crs=raster.crs, transform=raster.transform, width=raster.width, height=raster.height, read=read)


def look_at_background(settings: Settings) -> tuple[RasterReading, ...]:
    """Read the grid of the picture that ``map.background`` names, so that its faults are said with all others."""
    if not settings.map.background:
        return ()
    reading = read_raster(RasterSource(name="background", file=settings.map.background), settings)
    problems = tuple(replace(problem, key=KEY) for problem in reading.problems)
    return (replace(reading, problems=problems, notes=(), assumptions=()),)


def _picture(opened: rasterio.DatasetReader, window: Window, shape: tuple[int, int]) -> Cells:
    """Cells of a window as red, green, blue and opacity, thinned to a shape."""
    palette = opened.colorinterp[0] is ColorInterp.palette and opened.count == 1
    resampling = Resampling.nearest if palette else Resampling.average
    bands = [band for band, use in enumerate(opened.colorinterp, 1) if use is not ColorInterp.alpha][:3]
    bands = bands if len(bands) == 3 else bands[:1]
    cells = opened.read(bands, window=window, out_shape=(len(bands), *shape), resampling=resampling)
    opacity = opened.dataset_mask(window=window, out_shape=shape)
    if palette:
        table = np.zeros((256, 3), dtype=np.uint8)
        for value, colour in opened.colormap(1).items():
            if value < 256:
                table[value] = colour[:3]
        colours = np.moveaxis(table[np.clip(cells[0], 0, 255)], -1, 0)
    else:
        colours = np.broadcast_to(_bytes(cells, opacity > 0), (3, *shape))
    return np.concatenate([colours, opacity[None].astype(np.uint8)])


def _bytes(cells: npt.NDArray[np.generic], seen: npt.NDArray[np.bool_]) -> Cells:
    """Cells as bytes: bytes as they are, anything else stretched between its 2nd and 98th percentile."""
    if cells.dtype == np.uint8:
        return np.asarray(cells, dtype=np.uint8)
    values = cells.astype(np.float64)
    known = values[:, seen & np.isfinite(values).all(axis=0)]
    low, high = np.percentile(known, (2, 98)) if known.size else (0.0, 1.0)
    stretched = np.clip((values - low) / max(high - low, 1e-12), 0, 1) * 255
    return np.nan_to_num(stretched).astype(np.uint8)
