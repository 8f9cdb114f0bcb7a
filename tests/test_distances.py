"""Files in, one file out: the same answers as the stations give, whatever the kind of file and its CRS."""

from __future__ import annotations

from pathlib import Path

import geopandas
import numpy as np
import pyarrow.parquet as pq
import pytest
import shapely
from conftest import make_inputs, make_layer
from outside import holds

import riskmap
from riskmap.distances import measure_files
from riskmap.errors import InputError, MachineError, WordsError
from riskmap.measure import measure_exposures
from riskmap.measure.engines import ENGINES
from riskmap.model import SilentWatch
from riskmap.project import project_inputs

UTM = "EPSG:32618"


def place(seed: int = 1) -> tuple[geopandas.GeoDataFrame, dict[str, geopandas.GeoDataFrame]]:
    """Three hundred trees, two of them nowhere, among ponds, a creek, a null shape and a wood."""
    rng = np.random.default_rng(seed)
    xy = rng.uniform(-300, 300, (300, 2)) + np.array([480_000, 4_683_000])
    points = geopandas.points_from_xy(xy[:, 0], xy[:, 1])
    points[[7, 190]] = None
    trees = geopandas.GeoDataFrame({"tag": [f"T{i}" for i in range(300)]}, geometry=points, crs=UTM)
    around = xy[rng.integers(0, 300, 12)]
    water = [*shapely.buffer(shapely.points(around), rng.uniform(2, 30, 12)), None, shapely.LineString(around)]
    wood = [shapely.Point(480_050, 4_683_040).buffer(150).difference(shapely.Point(480_050, 4_683_040).buffer(40))]
    return trees, {
        "water": geopandas.GeoDataFrame(geometry=water, crs=UTM),
        "deer_habitat": geopandas.GeoDataFrame(geometry=wood, crs=UTM),
    }


def expected(trees: geopandas.GeoDataFrame, layers: dict[str, geopandas.GeoDataFrame]) -> dict[str, object]:
    """The exposures of the stations, from the same frames."""
    there = ~trees.geometry.isna().to_numpy()
    xy = np.full((len(trees), 2), np.nan)
    xy[there] = shapely.get_coordinates(trees.geometry[there].array)
    made = []
    for number, (role, frame) in enumerate(layers.items(), start=1):
        sound = ~frame.geometry.isna().to_numpy()
        shapes = np.asarray(frame.geometry.array, dtype=object)[sound]
        made.append(make_layer(role, shapes, number=number, crs=frame.crs, feature=np.flatnonzero(sound) + 1))
    site = project_inputs(make_inputs(xy, made, crs=trees.crs), watch=SilentWatch())
    return dict(measure_exposures(site, watch=SilentWatch()))


@pytest.mark.parametrize("engine", sorted(ENGINES))
@pytest.mark.parametrize("crs", [UTM, "EPSG:4326", "EPSG:2263"])
def test_the_file_says_what_the_stations_say(tmp_path: Path, engine: str, crs: str) -> None:
    trees, layers = place()
    trees.to_parquet(tmp_path / "trees.parquet")
    paths = {}
    for role, frame in layers.items():
        paths[role] = [tmp_path / f"{role}.parquet"]
        frame.to_crs(crs).to_parquet(paths[role][0])
    reaches = {"deer_habitat": 750.0}
    out = measure_files(
        tmp_path / "trees.parquet", paths, tmp_path / "out.parquet", within_m=reaches, keep=["tag"], engine=engine
    )
    table = pq.read_table(out).to_pandas()
    assert list(table.columns[:2]) == ["row", "tag"]
    assert table["row"].tolist() == list(range(1, 301))
    for role, exposure in expected(trees, {role: frame.to_crs(crs) for role, frame in layers.items()}).items():
        tolerance = 1e-4 if crs == UTM else 1e-3
        np.testing.assert_allclose(table[f"distance_{role}_m"], exposure.distance_m, atol=tolerance)
        np.testing.assert_allclose(table[f"edge_{role}_m"], exposure.edge_m, atol=tolerance)
        known = exposure.known
        assert (table[f"inside_{role}"][known] == exposure.inside[known]).all()
        assert table[f"inside_{role}"][~known].isna().all() and (~known).sum() == 2
        named = [f"{a}:{b}" if a else None for a, b in zip(exposure.nearest_layer, exposure.nearest_feature)]  # noqa: B905
        assert table[f"nearest_{role}"].astype(object).where(table[f"nearest_{role}"].notna(), None).tolist() == named


def test_any_kind_of_file_and_several_of_one_role(tmp_path: Path) -> None:
    trees, layers = place(2)
    trees = trees.dropna(subset="geometry").reset_index(drop=True)
    water = layers["water"].dropna(subset="geometry")
    trees.to_file(tmp_path / "trees.gpkg")
    water[:5].to_file(tmp_path / "a.fgb", SPATIAL_INDEX="NO")
    water[5:].to_crs("EPSG:4326").to_file(tmp_path / "b.geojson")
    out = riskmap.measure(
        tmp_path / "trees.gpkg", {"water": [tmp_path / "a.fgb", tmp_path / "b.geojson"]}, str(tmp_path / "o.parquet")
    )
    table = pq.read_table(out).to_pandas()
    xy = shapely.get_coordinates(trees.geometry.array)
    whole = shapely.union_all(water.geometry.array)
    assert table["inside_water"].tolist() == [
        holds(x, y, whole) or whole.distance(shapely.Point(x, y)) == 0 for x, y in xy
    ]
    assert set(table["nearest_water"].dropna().str[:2]) == {"1:", "2:"}


@pytest.mark.parametrize("whole", [False, True])  # without the two that are nowhere, points are read from the bytes
@pytest.mark.parametrize("cores", [1, 3])
def test_files_of_several_row_groups_say_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, whole: bool, cores: int
) -> None:
    monkeypatch.setattr("riskmap.read.packed.cores", lambda: cores)
    trees, layers = place(6)
    trees = trees.dropna(subset="geometry") if whole else trees
    paths, tables = {role: [tmp_path / f"{role}.parquet"] for role in layers}, []
    for rows in (1_000, 7):
        trees.to_parquet(tmp_path / "trees.parquet", row_group_size=rows)
        for role, frame in layers.items():
            frame.to_parquet(paths[role][0], row_group_size=rows)
        out = measure_files(tmp_path / "trees.parquet", paths, tmp_path / "out.parquet", within_m={}, keep=["tag"])
        tables.append(pq.read_table(out))
    assert pq.ParquetFile(tmp_path / "water.parquet").num_row_groups == 2
    assert tables[0].column("tag").to_pylist() == trees["tag"].tolist()
    assert tables[1].equals(tables[0])


@pytest.mark.parametrize("engine", sorted(ENGINES))
@pytest.mark.parametrize("far_m", [0.0, 9e5])  # so far off that trees stand in several grids
def test_groups_of_rows_say_the_same_as_all_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, engine: str, far_m: float
) -> None:
    trees, layers = place(4)
    moved = trees.geometry[::3].translate(0, far_m)
    trees.geometry = moved.reindex(trees.index).fillna(trees.geometry).where(trees.geometry.notna())
    trees.to_parquet(tmp_path / "trees.parquet")
    water, wood = layers["water"], layers["deer_habitat"]
    water = geopandas.GeoDataFrame(
        geometry=[*water.geometry, *water.geometry.translate(0, far_m)], crs=water.crs
    )  # the same ponds again, farther on or in the same place
    water.to_parquet(tmp_path / "water.parquet")
    wood.to_parquet(tmp_path / "deer_habitat.parquet")
    paths = {role: [tmp_path / f"{role}.parquet"] for role in layers}
    tables = []
    for rows, size, very_many in ((1_000, 1_000, 301), (64, 64, 301), (7, 7, 301), (64, 32, 300)):
        monkeypatch.setattr("riskmap.distances.GROUP", size)
        monkeypatch.setattr("riskmap.distances.VERY_MANY", very_many)
        out = measure_files(
            *(tmp_path / "trees.parquet", paths, tmp_path / "out.parquet"),
            within_m={},
            share_m={"deer_habitat": 80.0},
            keep=["tag"],
            engine=engine,
        )
        assert pq.ParquetFile(out).num_row_groups == -(-300 // rows)
        tables.append(pq.read_table(out).to_pandas().astype({"nearest_water": str, "nearest_deer_habitat": str}))
    assert tables[0]["distance_water_m"].notna().sum() > 200 and tables[0]["inside_deer_habitat"].sum() > 10
    for table in tables[1:]:
        assert table.equals(tables[0])


def test_shares_where_asked_for(tmp_path: Path) -> None:
    trees, layers = place(3)
    trees.to_parquet(tmp_path / "trees.parquet")
    layers["deer_habitat"].to_parquet(tmp_path / "wood.parquet")
    wood = {"deer_habitat": tmp_path / "wood.parquet"}
    out = riskmap.measure(tmp_path / "trees.parquet", wood, tmp_path / "o.parquet", share_m={"deer_habitat": 100.0})
    shares = pq.read_table(out).column("share_deer_habitat").to_pandas()
    scale = 0.99960491  # of UTM 20 km off its central meridian
    circles = trees.geometry.buffer(100.0 * scale, quad_segs=512)
    expected = [
        float("nan") if c is None else c.intersection(layers["deer_habitat"].geometry[0]).area / c.area for c in circles
    ]
    np.testing.assert_allclose(shares, expected, atol=2e-5)
    assert shares.isna().sum() == 2


def test_what_cannot_be_done_is_said(tmp_path: Path) -> None:
    trees, layers = place()
    trees.to_parquet(tmp_path / "trees.parquet")
    layers["water"].to_parquet(tmp_path / "water.parquet")
    layers["water"].set_crs(None, allow_override=True).to_parquet(tmp_path / "nowhere.parquet")
    (tmp_path / "cut.parquet").write_bytes((tmp_path / "water.parquet").read_bytes()[:-40])
    out, good = tmp_path / "out.parquet", {"water": tmp_path / "water.parquet"}
    for layer, words in [("gone", "no such file"), ("cut", "does not read"), ("nowhere", "CRS")]:
        with pytest.raises(InputError, match=words):
            riskmap.measure(tmp_path / "trees.parquet", {"water": tmp_path / f"{layer}.parquet"}, out)
    with pytest.raises(InputError, match="no points"):
        riskmap.measure(tmp_path / "water.parquet", good, out)
    with pytest.raises(InputError, match="there is no column 'girth'"):
        riskmap.measure(tmp_path / "trees.parquet", good, out, keep=["girth"])
    with pytest.raises(WordsError, match="no role 'pond'"):
        riskmap.measure(tmp_path / "trees.parquet", {"pond": tmp_path / "water.parquet"}, out)
    for reach in (0.0, 1001.0, float("nan")):
        with pytest.raises(WordsError, match="within_m"):
            riskmap.measure(tmp_path / "trees.parquet", good, out, within_m=reach)
    with pytest.raises(MachineError, match="can't be written"):
        riskmap.measure(tmp_path / "trees.parquet", good, tmp_path / "no_folder" / "out.parquet")
    assert not out.exists()
