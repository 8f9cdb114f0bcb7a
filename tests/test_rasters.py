"""Rasters: windows, scale, units, masks, places, faults; real files where they are at hand."""

from __future__ import annotations

import pickle
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
from conftest import make_settings
from rasterio.transform import Affine

from riskmap import tables
from riskmap.errors import InputError
from riskmap.model import MapSettings, RasterData, RasterSource, SilentWatch
from riskmap.read import read_ground
from riskmap.read.rasters import RasterReading, read_raster

SHARED = Path(__file__).resolve().parents[2] / "shared"
CASES, DATA = SHARED / "cases", SHARED / "data"
UTM = "EPSG:26918"
PLACE = Affine(10, 0, 499_100, 0, -10, 4_683_200)
CELLS = np.arange(60, dtype="float32").reshape(6, 10)
Read = Callable[..., RasterReading]


@pytest.fixture
def read(tmp_path: Path) -> Read:
    """Write cells to a GeoTIFF and read it as one of the rasters."""

    def write_and_read(
        cells: Any = CELLS,
        *,
        name: str = "deer_habitat",
        profile: Any = None,
        change: Callable[[Any], None] | None = None,
        **source: Any,
    ) -> RasterReading:
        cells = np.atleast_3d(np.asarray(cells)).transpose(2, 0, 1) if np.ndim(cells) == 2 else np.asarray(cells)
        given = {"crs": UTM, "transform": PLACE, **(profile or {})}
        size = {"count": cells.shape[0], "height": cells.shape[1], "width": cells.shape[2], "dtype": cells.dtype}
        with rasterio.open(tmp_path / "r.tif", "w", driver="GTiff", **size, **given) as out:
            out.write(cells)
            if change is not None:
                change(out)
        return read_raster(RasterSource(name=name, file="r.tif", **source), make_settings(file=tmp_path / "site.toml"))

    return write_and_read


def raster_of(reading: RasterReading) -> RasterData:
    """The raster, which must be there and free of faults."""
    assert reading.problems == ()
    assert reading.raster is not None
    assert {note.code for note in reading.notes} <= set(tables.note_codes())
    return reading.raster


def test_a_window_is_what_was_written(read: Read, tmp_path: Path) -> None:
    raster = raster_of(read())
    assert (raster.width, raster.height, raster.crs.to_epsg()) == (10, 6, 26918)
    assert raster.transform == (10, 0, 499_100, 0, -10, 4_683_200)
    assert raster.read_window((2, 4), (3, 6)).tolist() == CELLS[2:4, 3:6].tolist()
    assert pickle.loads(pickle.dumps(raster.read_window))((0, 1), (0, 2)).tolist() == [[0, 1]]
    assert [path.name for path in tmp_path.iterdir()] == ["r.tif"]


def test_nodata_masks_and_nan_are_masked_never_numbers(read: Read) -> None:
    cells = CELLS.copy()
    cells[0, 0] = -9999
    cells[0, 1] = np.nan
    window = raster_of(read(cells, profile={"nodata": -9999})).read_window((0, 1), (0, 3))
    assert window.mask.tolist() == [[True, True, False]]
    mask = np.full(CELLS.shape, 255, dtype="uint8")
    mask[0, 2] = 0
    with rasterio.Env(GDAL_TIFF_INTERNAL_MASK=True):
        window = raster_of(read(change=lambda out: out.write_mask(mask))).read_window((0, 1), (0, 3))
    assert window.mask.tolist() == [[False, False, True]]


def test_scale_and_offset_are_applied(read: Read) -> None:
    def stored(out: Any) -> None:
        out.scales, out.offsets = (0.01,), (-1.0,)

    reading = read(CELLS.astype("int16"), change=stored)
    assert raster_of(reading).read_window((5, 6), (9, 10)).item() == pytest.approx(59 * 0.01 - 1)
    assert reading.read_as[0].facts["scale"] == 0.01


@pytest.mark.parametrize(
    ("unit", "metres"), [("m", 2.0), ("cm", 0.02), ("mm", 0.002), ("in", 0.0508), ("ft", 0.6096), ("Inches", 0.0508)]
)
def test_snow_comes_out_in_metres(unit: str, metres: float, read: Read) -> None:
    raster = raster_of(read(name="snow_depth", unit=unit))
    assert raster.unit == "m"
    assert raster.read_window((0, 1), (2, 3)).item() == pytest.approx(metres)  # exact by definition of the units


def test_a_unit_is_taken_from_the_file_or_asked_for(read: Read) -> None:
    def in_feet(out: Any) -> None:
        out.units = ("ft",)

    assert raster_of(read(name="elevation", change=in_feet)).read_window((0, 1), (1, 2)).item() == pytest.approx(0.3048)
    bare = read(name="elevation")
    assert raster_of(bare).read_window((0, 1), (1, 2)).item() == 1
    assert [taken.topic for taken in bare.assumptions] == ["rasters.elevation.unit"]
    asked = read(name="snow_depth").problems[0]
    assert asked.key == "rasters.snow_depth.unit"
    assert "cm" in asked.line()
    assert "'furlong'" in read(name="snow_depth", unit="furlong").problems[0].line()
    assert read(name="land_cover").assumptions == ()


@pytest.mark.parametrize("words", ["kg/m2", "kg m-2", "[kg/(m^2)]", "Snow Water Equivalent", "SWE", "mm w.e."])
def test_the_water_in_snow_is_no_depth(words: str, read: Read) -> None:
    reading = read(name="snow_depth", unit="cm", change=lambda out: out.update_tags(1, comment=words))
    assert reading.raster is None
    assert reading.problems == ()
    (note,) = reading.notes
    assert note.code == "raster_unit"
    assert "density" in note.what


def test_a_turned_raster_keeps_its_whole_transform(read: Read) -> None:
    turned = Affine(8.660254, -5, 499_100, -5, -8.660254, 4_683_200)
    assert raster_of(read(profile={"transform": turned})).transform == pytest.approx(tuple(turned)[:6])


def test_a_world_file_places_a_raster_that_says_nothing(read: Read, tmp_path: Path) -> None:
    (tmp_path / "r.tfw").write_text("10\n0\n0\n-10\n499105\n4683195\n")
    assert raster_of(read(profile={"transform": Affine.identity()})).transform == tuple(PLACE)[:6]
    (tmp_path / "r.tfw").unlink()
    assert "no place on the ground" in read(profile={"transform": Affine.identity()}).problems[0].line()


def test_the_crs_is_asked_for_told_or_contradicted(read: Read) -> None:
    assert read(profile={"crs": None}).problems[0].key == "rasters.deer_habitat.crs"
    assert raster_of(read(profile={"crs": None}, crs=UTM)).crs.to_epsg() == 26918
    assert raster_of(read(crs=UTM)).crs.to_epsg() == 26918
    assert "site.toml says" in read(crs="EPSG:26718").problems[0].line()


def test_a_picture_for_the_map_is_looked_at_with_all_other_files(read: Read, tmp_path: Path) -> None:
    """So that `riskmap check` finds its faults, and run.json says which picture it was."""
    read()
    for file, faults in (("no.tif", ["there is no such file (not found)"]), ("r.tif", [])):
        settings = make_settings(file=tmp_path / "site.toml", map=MapSettings(background=file))
        ground = read_ground(settings, watch=SilentWatch())
        assert [fault.what for fault in ground.problems] == faults
        assert all(fault.key == "map.background" for fault in ground.problems)
    (picture,) = ground.pictures
    (told,) = picture.read_as
    assert (told.file, told.facts["raster"], len(told.sha256)) == ("r.tif", "background", 64)
    assert ground.rasters == ()


def test_bands_are_counted_from_one(read: Read) -> None:
    cells = np.stack([CELLS, CELLS + 100, CELLS + 200]).astype("uint8")
    assert raster_of(read(cells, band=2)).read_window((0, 1), (0, 1)).item() == 100
    first = read(cells)
    assert [taken.taken for taken in first.assumptions] == ["band 1 of 3"]
    assert read(cells, band=4).problems[0].line() == (
        "r.tif: there is no band 4; it has 3; name one of them (rasters.deer_habitat.band)"
    )


@pytest.mark.parametrize("options", [{}, {"tiled": True, "blockxsize": 16, "blockysize": 16, "compress": "deflate"}])
@pytest.mark.parametrize("big", ["NO", "YES"])
def test_a_file_cut_off_anywhere_is_refused_before_a_cell_is_read(
    options: dict[str, Any], big: str, read: Read, tmp_path: Path
) -> None:
    cells = np.random.default_rng(1).random((64, 64)).astype("float32")
    raster_of(read(cells, profile={**options, "BIGTIFF": big}))
    path = tmp_path / "r.tif"
    whole = path.read_bytes()
    site = make_settings(file=tmp_path / "site.toml")
    for share in (0.01, 0.3, 0.7, 0.98):
        path.write_bytes(whole[: int(len(whole) * share)])
        reading = read_raster(RasterSource(name="elevation", file="r.tif"), site)
        assert reading.raster is None, share
        assert "damaged" in reading.problems[0].line() or "kind" in reading.problems[0].line()


def test_damage_inside_is_a_fault_when_the_window_is_read(read: Read, tmp_path: Path) -> None:
    cells = np.random.default_rng(1).random((64, 64)).astype("float32")
    raster = raster_of(read(cells, profile={"compress": "deflate"}))
    written = bytearray((tmp_path / "r.tif").read_bytes())
    written[len(written) // 2 : len(written) // 2 + 400] = b"\xff" * 400
    (tmp_path / "r.tif").write_bytes(bytes(written))
    with pytest.raises(InputError, match=r"r\.tif: the GeoTIFF does not read"):
        raster.read_window((0, 64), (0, 64))


VALUES = {  # cases/*/expected.toml: value = 100 * row + column, by hand
    "raster-plain": ("deer.tif", (3, 5), 305),
    "raster-scale-offset": ("deer.tif", (3, 5), 2.05),
    "raster-rotated": ("deer.tif", (10, 15), 1015),
    "raster-pixel-is-point": ("deer.tif", (3, 5), 305),
    "raster-nodata": ("deer.tif", (3, 6), 306),
    "raster-other-crs": ("deer.tif", (11, 18), 1118),
    "raster-classes": ("deer.tif", (10, 12), 1012),
}


@pytest.mark.skipif(not CASES.exists(), reason=f"{CASES} is not here")
@pytest.mark.parametrize("case", sorted(VALUES))
def test_hard_rasters_hold_what_their_makers_say(case: str) -> None:
    file, (row, column), value = VALUES[case]
    site = make_settings(file=CASES / case / "site.toml")
    raster = raster_of(read_raster(RasterSource(name="deer_habitat", file=file), site))
    assert raster.read_window((row, row + 1), (column, column + 1)).item() == pytest.approx(value)


@pytest.mark.skipif(not CASES.exists(), reason=f"{CASES} is not here")
@pytest.mark.parametrize(("case", "word"), [("raster-no-crs", "CRS"), ("raster-truncated", "damaged")])
def test_hard_rasters_are_refused_in_words(case: str, word: str) -> None:
    reading = read_raster(
        RasterSource(name="deer_habitat", file="deer.tif"), make_settings(file=CASES / case / "s.toml")
    )
    assert reading.raster is None
    assert word in reading.problems[0].line()


@pytest.mark.skipif(not DATA.exists(), reason=f"{DATA} is not here")
def test_real_rasters_are_read_by_window() -> None:
    site = make_settings(file=DATA / "site.toml")

    def real(file: str, name: str = "land_cover", **more: Any) -> RasterReading:
        return read_raster(RasterSource(name=name, file=file, **more), site)

    # ESA WorldCover 2021 legend: 80 = permanent water; 1.3 GB once unpacked
    world = raster_of(real("worldcover-tile/ESA_WorldCover_10m_2021_v200_N00E006_Map.tif"))
    assert (world.width, world.height) == (36_000, 36_000)
    assert world.read_window((18_000, 18_002), (18_000, 18_002)).tolist() == [[80, 80], [80, 80]]
    odd = raster_of(real("zion-rasters/nlcd2011.tif"))
    assert odd.transform[0] != -odd.transform[4]  # cells that are not square
    height = raster_of(real("zion-rasters/srtm.tif", "elevation")).read_window((200, 260), (200, 260))
    assert 1024 <= height.min() <= height.max() <= 2892  # data/zion-rasters/README.md
    sea = raster_of(real("sao-miguel-rasters/eu_dem_v11.tif", "elevation")).read_window((0, 192), (0, 384))
    assert float(sea.min()) > -500
    snow = real("snow-gfs-2011/gfs_weasd_20110110_f120.tif", "snow_depth", unit="cm")
    assert snow.raster is None
    assert [note.code for note in snow.notes] == ["raster_unit"]
