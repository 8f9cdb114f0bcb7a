"""Read rasters: the grid at once, cells window by window; scaled, masked, in the unit asked for."""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, redirect_stderr
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyproj
import rasterio
from rasterio.enums import MaskFlags
from rasterio.windows import Window

from riskmap.errors import InputError, Problem, shown
from riskmap.model import Assumption, Note, RasterData, RasterSource, ReadAs, Settings
from riskmap.read.crs import crs_from_file, crs_in_words, crs_typed, same_crs
from riskmap.read.door import find_file, refused, sha256_of, sniff
from riskmap.read.kinds import Kind, Refusal
from riskmap.read.tiff_guard import check_tiff_whole
from riskmap.units import LENGTH_M

__all__ = ["RasterReading", "read_raster"]

_LENGTHS: Final[Mapping[str, str]] = {
    **dict.fromkeys(("m", "metre", "metres", "meter", "meters"), "m"),
    **dict.fromkeys(("cm", "centimetre", "centimetres", "centimeter", "centimeters"), "cm"),
    **dict.fromkeys(("mm", "millimetre", "millimetres", "millimeter", "millimeters"), "mm"),
    **dict.fromkeys(("in", "inch", "inches"), "in"),
    **dict.fromkeys(("ft", "foot", "feet", "us survey foot", "us survey feet", "us-ft", "ftus"), "ft"),
}
_WATER: Final = re.compile(
    r"kg\s*/?\s*\(?\s*m\s*(?:\^|\*\*)?\s*-?\s*2|water.?equivalent|\bswe\b|\bweasd\b|mm\s*w\.?\s*e\b", re.IGNORECASE
)
BLANKS: Final = (-9999.0, -99999.0, -32767.0, -32768.0)  # what programs write for no data, declared or not
FARTHEST: Final = 1e30  # so do 1e38, 9.97e36 and the like; no cell holds so much
_IN_METRES: Final = frozenset({"snow_depth", "elevation"})
_ENV: Final = {
    "GDAL_DISABLE_READDIR_ON_OPEN": "EMPTY_DIR",
    "GDAL_PAM_ENABLED": "NO",
}  # no file beside it is read or made
_WORLD_ENDINGS: Final = (".tfw", ".tifw", ".tiffw", ".wld")
_DAMAGED: Final = "download or send it again"


@dataclass(frozen=True, slots=True, kw_only=True)
class RasterReading:
    """One raster, or why there is none."""

    raster: RasterData | None
    read_as: tuple[ReadAs, ...] = ()
    problems: tuple[Problem, ...] = ()
    notes: tuple[Note, ...] = ()
    assumptions: tuple[Assumption, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class WindowReader:
    """Reads windows of one band; opens the file anew each time, so that it can be sent to another process."""

    file: str
    name: str
    path: Path
    band: int
    scale: float
    offset: float

    def __call__(self, rows: tuple[int, int], cols: tuple[int, int]) -> np.ma.MaskedArray[Any, Any]:
        """Return scaled cells of the window, shape (rows, columns), masked where there is no data.

        Raises
        ------
        InputError
            The file does not read there.
        """
        window = Window.from_slices(rows, cols)
        try:
            with _opened(self.path) as source:
                stored = source.read(self.band, window=window, masked=True)
        except (rasterio.errors.RasterioError, OSError, ValueError) as error:
            problem = Problem(
                file=self.file,
                what=f"the GeoTIFF does not read; it may be damaged or cut off ({_cause(error)})",
                remedy=_DAMAGED,
                key=f"rasters.{self.name}.file",
            )
            raise InputError([problem]) from error
        cells = np.ma.getdata(stored)
        with np.errstate(invalid="ignore"):
            blank = np.isin(cells, BLANKS) | ~(np.abs(cells.astype(np.float64)) < FARTHEST)
        mask = np.ma.getmaskarray(stored) | blank
        values = np.ma.getdata(stored).astype(np.float64) * self.scale + self.offset
        return np.ma.MaskedArray(values, mask=mask)


def _cause(error: BaseException) -> str:
    """What the library's library said, where it only points there."""
    return shown(error.__cause__ or error).replace("\\n", " ")


@contextmanager
def _opened(path: Path) -> Iterator[Any]:
    """A GeoTIFF open for reading; what the library prints of damaged ones is kept off the screen."""
    with warnings.catch_warnings(), rasterio.Env(**_ENV), redirect_stderr(io.StringIO()):
        warnings.simplefilter("ignore")  # a raster without a place is told of by us
        with rasterio.open(path, driver="GTiff") as opened:
            yield opened


def read_raster(source: RasterSource, settings: Settings) -> RasterReading:
    """Read one ``[rasters.NAME]`` block; no cell is read yet.

    Parameters
    ----------
    source : RasterSource
        The block.
    settings : Settings
        Resolves the path it names.

    Returns
    -------
    RasterReading
        Every fault and note; nothing is raised for what is wrong with the file.
    """
    path, key = settings.resolve(source.file), f"rasters.{source.name}.file"
    try:
        find_file(path, file_as_typed=source.file, key=key)
        kind = sniff(path, file_as_typed=source.file, key=key)
        if kind is not Kind.GEOTIFF:
            problem = Problem(
                file=source.file,
                what=f"this is {kind.value}, not a GeoTIFF",
                remedy="export the raster as GeoTIFF",
                key=key,
            )
            return RasterReading(raster=None, problems=(problem,))
        with refused(source.file, key):
            _refuse_mask_beside(path)
            check_tiff_whole(path)
        with _opened(path) as opened:
            return _Raster(source, path, opened).read()
    except InputError as error:
        return RasterReading(raster=None, problems=error.problems)
    except (rasterio.errors.RasterioError, OSError, ValueError) as error:
        problem = Problem(
            file=source.file,
            what=f"the GeoTIFF does not open; it may be damaged or cut off ({shown(error).replace(str(path), '')})",
            remedy=_DAMAGED,
            key=key,
        )
        return RasterReading(raster=None, problems=(problem,))


def _refuse_mask_beside(path: Path) -> None:
    """Refuse a raster whose mask stands in a file beside it: without it, hidden cells would count as values."""
    mask = path.with_name(f"{path.name}.msk")
    if mask.is_file():
        what = f"its mask stands in a file beside it ({shown(mask.name)}), which riskmap does not read"
        raise Refusal(what, "export it with the mask inside, or with a nodata value")


class _Raster:
    """One open raster on its way through; collects what is to be said."""

    def __init__(self, source: RasterSource, path: Path, opened: Any) -> None:
        self.source, self.path, self.opened = source, path, opened
        self.problems: list[Problem] = []
        self.notes: list[Note] = []
        self.assumptions: list[Assumption] = []

    def fault(self, what: str, remedy: str, key: str) -> None:
        """Add one fault."""
        key = f"rasters.{self.source.name}.{key}"
        self.problems.append(Problem(file=self.source.file, what=what, remedy=remedy, key=key))

    def read(self) -> RasterReading:
        """Take down the grid, the CRS, the unit and the scale."""
        source, opened = self.source, self.opened
        crs, transform = self.crs(), self.transform()
        if not 1 <= source.band <= opened.count:
            self.fault(f"there is no band {source.band}; it has {opened.count}", "name one of them", "band")
            return self.reading(None)
        if np.issubdtype(np.dtype(opened.dtypes[source.band - 1]), np.complexfloating):
            self.fault("its cells are complex numbers", "export one real band", "band")
            return self.reading(None)
        unit, factor = self.unit()
        if self.problems or crs is None or transform is None or factor is None:
            return self.reading(None)
        scale, offset = opened.scales[source.band - 1], opened.offsets[source.band - 1]
        if not (np.isfinite((scale, offset)).all() and scale):
            self.fault(
                f"its scale {scale:g} and offset {offset:g} make no numbers of its cells", "export it anew", "file"
            )
            return self.reading(None)
        window_reader = WindowReader(
            file=source.file,
            name=source.name,
            path=self.path,
            band=source.band,
            scale=float(scale) * factor,
            offset=float(offset) * factor,
        )
        if opened.count > 1 and source.band == 1:
            topic = f"rasters.{source.name}.band"
            self.assumptions.append(
                Assumption(topic=topic, taken=f"band 1 of {opened.count}", why="the first band", key=topic)
            )
        facts = self.facts(crs, unit, float(scale), float(offset))
        raster = RasterData(
            source=source,
            crs=crs,
            transform=transform,
            width=opened.width,
            height=opened.height,
            read_window=window_reader,
            unit="m" if source.name in _IN_METRES else unit,
        )
        return self.reading(raster, facts)

    def facts(self, crs: pyproj.CRS, unit: str, scale: float, offset: float) -> dict[str, Any]:
        """How the raster was read."""
        opened, band = self.opened, self.source.band
        flags = opened.mask_flag_enums[band - 1]
        facts: dict[str, Any] = {
            "kind": "GeoTIFF",
            "crs": crs_in_words(crs),
            "band": band,
            "columns_and_rows": f"{opened.width} x {opened.height}",
            "nodata": "none declared"
            if MaskFlags.all_valid in flags
            else "mask"
            if opened.nodata is None
            else f"{opened.nodata:g}",
        }
        if unit:
            facts["unit"] = unit
        if (scale, offset) != (1.0, 0.0):
            facts["scale"], facts["offset"] = scale, offset
        return facts

    def reading(self, raster: RasterData | None, facts: Mapping[str, Any] | None = None) -> RasterReading:
        """All that was found."""
        about = {"kind": "GeoTIFF", **(facts or {}), "raster": self.source.name}
        read_as = ReadAs(
            file=self.source.file, path=self.path, sha256=sha256_of(self.path), rows=self.opened.height, facts=about
        )
        return RasterReading(
            raster=None if self.problems else raster,
            read_as=(read_as,),
            problems=tuple(self.problems),
            notes=tuple(self.notes),
            assumptions=tuple(self.assumptions),
        )

    def crs(self) -> pyproj.CRS | None:
        """The CRS the file states, or else the one the user names."""
        stated = crs_from_file(self.opened.crs.to_wkt() if self.opened.crs else None)
        if not self.source.crs:
            if stated is None:
                self.fault(
                    "its coordinate system (CRS) is not known: the file names none that PROJ knows",
                    'name it, such as crs = "EPSG:26918"',
                    "crs",
                )
            return stated
        try:
            told = crs_typed(self.source.crs)
        except ValueError as error:
            self.fault(str(error), 'write a code such as "EPSG:26918"', "crs")
            return None
        if stated is not None and not same_crs(stated, told):
            self.fault(
                f"the file says its CRS is {crs_in_words(stated)}, site.toml says {crs_in_words(told)}",
                "take the key out, or mend the file where the file is wrong",
                "crs",
            )
        return stated or told

    def transform(self) -> tuple[float, float, float, float, float, float] | None:
        """Where the cells lie, corner based; from a world file beside it where the file itself says nothing."""
        affine = self.opened.transform
        found = (affine.a, affine.b, affine.c, affine.d, affine.e, affine.f)
        if affine.is_identity:
            world = self.world_file()
            if world is None:
                self.fault(
                    "it has no place on the ground (no geotransform)", "export it as a georeferenced GeoTIFF", "file"
                )
                return None
            found = world
        if not np.isfinite(found).all() or abs(found[0] * found[4] - found[1] * found[3]) < 1e-30:
            self.fault("its cells have no size (broken geotransform)", "export it anew", "file")
            return None
        return found

    def world_file(self) -> tuple[float, float, float, float, float, float] | None:
        """Six numbers of a world file: cell sizes, and the middle of the first cell."""
        for ending in _WORLD_ENDINGS:
            for beside in (self.path.with_suffix(ending), self.path.with_suffix(ending.upper())):
                if not beside.is_file() or beside.stat().st_size > 4096:
                    continue
                try:
                    a, d, b, e, x, y = (float(word) for word in beside.read_text("ascii").replace(",", ".").split()[:6])
                except ValueError:
                    continue
                return a, b, x - (a + b) / 2, d, e, y - (d + e) / 2
        return None

    def unit(self) -> tuple[str, float | None]:
        """The unit of the cells and the factor that brings them to metres; 1 where they are no lengths."""
        source, opened = self.source, self.opened
        stated = str(opened.units[source.band - 1] or "").strip()
        if source.name not in _IN_METRES:
            return source.unit or stated, 1.0
        tags = {**opened.tags(), **opened.tags(source.band)}
        words = " ".join(
            [stated, str(opened.descriptions[source.band - 1] or ""), *(f"{k} {v}" for k, v in tags.items())]
        )
        water = _WATER.search(words) if source.name == "snow_depth" else None
        if water is not None:
            self.note_water(water)
            return "kg/m2", None
        asked = source.unit or stated
        unit = _LENGTHS.get(asked.casefold())
        if unit is None and asked:
            self.fault(f"{shown(asked)!r} is no unit of length that riskmap knows", "write m, cm, mm, in or ft", "unit")
            return asked, None
        if unit is None and source.name == "snow_depth":
            self.fault(
                "the file does not say in which unit its snow depths are", 'write it, such as unit = "cm"', "unit"
            )
            return "", None
        if unit is None:
            taken = Assumption(
                topic="rasters.elevation.unit",
                taken="metres",
                why="the file names no unit",
                key="rasters.elevation.unit",
            )
            self.assumptions.append(taken)
            unit = "m"
        return unit, LENGTH_M[unit]

    def note_water(self, found: re.Match[str] | None) -> None:
        """Note that the raster holds mass of water, from which no depth follows."""
        self.notes.append(
            Note(
                code="raster_unit",
                file=self.source.file,
                what=f"it holds the water equivalent of snow ({shown(found[0]) if found else 'kg/m2'}), not its depth, "
                "so it is not used: depth is this divided by the density of the snow, often 100 to 300 kg/m3",
                remedy="give a raster of snow depth, or local.snow_depth_m",
            )
        )
