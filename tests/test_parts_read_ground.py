"""Parts that read their own ground from big files give, say and draw what parts cut out of ground read at once do."""

from __future__ import annotations

import json
import os
import zipfile
from dataclasses import replace
from functools import partial
from importlib import import_module
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyarrow.parquet as pq
import pyogrio
import pytest
import shapely
from test_boxes import CRSES, UTM, X, Y, write
from test_streaming import compare

from riskmap.cli import main
from riskmap.errors import MachineError
from riskmap.in_parts import Size, ground, heard, path, streaming, whole, work
from riskmap.in_parts.plan import part_name
from riskmap.in_parts.workshop import Workshop
from riskmap.model import SilentWatch
from riskmap.read import boxed, by_part, layers
from riskmap.read.vectors import know_parquet, read_vector
from riskmap.run import run_site

SMALL = Size(most=100, part=300, worst=150)
ALL = ("map", "csv", "parquet", "gpkg", "summary")
FORMS = ["fgb", "gpkg with gaps", "parquet", "parquet with a covering"]
WAYS = ["degrees", "same", "feet", "rotated"]
SIDE_M = 3000.0
FAR_M = 60_000.0  # from the corner of the trees to features that no run reads


@pytest.fixture(autouse=True)
def every_file_is_big(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(boxed, "MOST_WHOLE", 0)
    monkeypatch.setattr(streaming, "PIECE", 900)


def trees_frame(rng: np.random.Generator) -> gpd.GeoDataFrame:
    """Trees all over a square, and some far off with no ground near them."""
    xy = np.concatenate([rng.uniform(0, SIDE_M, (1500, 2)), rng.uniform(0, 200, (300, 2)) + np.array([15_000, 0])])
    n = len(xy)
    columns = {
        "tree_id": [f"T{number}" for number in range(n)],
        "species": rng.choice(["Acer rubrum", "Quercus alba", "Malus domestica"], n),
        "caliper_mm": rng.uniform(8, 60, n).round(1),
    }
    return gpd.GeoDataFrame(columns, geometry=shapely.points(xy + np.array([X, Y])), crs=UTM)


def frame_of(shapes: list[Any], **columns: Any) -> gpd.GeoDataFrame:
    """Features with a number each, and two that lie far off."""
    away = [shapely.box(X - FAR_M, Y + d, X - FAR_M + 20, Y + d + 20) for d in (0, 9_000)]
    shapes = [*shapes, *(shapely.boundary(one) if shapes[0].length and not shapes[0].area else one for one in away)]
    held = {name: [*cells, cells[0], cells[1]] for name, cells in columns.items()}
    return gpd.GeoDataFrame({"n": np.arange(1, len(shapes) + 1), **held}, geometry=shapes, crs=UTM)


def corners(rng: np.random.Generator, n: int) -> np.ndarray:
    return rng.uniform(50, SIDE_M - 150, (n, 2)) + np.array([X, Y])


def bow_tie(x: float, y: float) -> shapely.Polygon:
    return shapely.Polygon([(x, y), (x + 40, y + 30), (x + 40, y), (x, y + 30)])


def ground_frames(rng: np.random.Generator) -> dict[str, gpd.GeoDataFrame]:
    """Every role's features; some span many parts, some are broken, some are of the wrong kind."""
    at, size = corners(rng, 90), rng.uniform(5, 60, (90, 2))
    ponds = list(shapely.box(*at.T, *(at + size).T))
    ponds[3:5] = [bow_tie(*at[3]), bow_tie(*at[4])]
    ponds[5] = shapely.box(X + 200, Y + 900, X + SIDE_M - 200, Y + 930)  # a river along many parts
    ponds[6], ponds[7] = shapely.Point(at[6]), shapely.LineString([at[7], at[7] + 30])
    kinds = rng.choice(["pond", "lake", "pipeline", "Culvert", " "], 90).tolist()
    at = corners(rng, 60)
    roads = [shapely.LineString([one, one + rng.uniform(-40, 40, 2)]) for one in at]
    roads[2] = shapely.LineString([(X + 100, Y + 100), (X + SIDE_M - 100, Y + SIDE_M - 300)])
    wide = rng.choice(["3.5", "12", "4 m", "", "broad"], 60).tolist()
    at = corners(rng, 40)
    drives = list(shapely.box(*at.T, *(at + 12.0).T))
    drives[1] = bow_tie(*at[1])
    at = corners(rng, 12)
    woods = [shapely.Point(one).buffer(120, quad_segs=30) for one in at]
    woods[1] = bow_tie(*at[1])
    return {
        "water": frame_of(ponds, kind=kinds),
        "road": frame_of(roads, wide=wide, kind=rng.choice(["a", "b", "c"], 60).tolist()),
        "driveway": frame_of(drives),
        "deer_habitat": frame_of(woods),
    }


MORE = {
    "road": 'keep = { kind = ["a", "b", "unheard of"] }\nwidth_m = "wide"',
    "driveway": 'on_invalid = "drop"\ncleared_by = "two_stage"',
}


def big_site(folder: Path, turn: int = 0) -> Path:
    """A site whose layers are of every format and CRS; with each turn the next of each."""
    folder.mkdir()
    rng = np.random.default_rng(5)
    trees_frame(rng).to_parquet(folder / "trees.parquet")
    blocks = []
    for place, (role, frame) in enumerate(ground_frames(rng).items()):
        if role == "water" and turn % 2:
            frame.loc[[8, 40], "geometry"] = None
        form, crs = FORMS[(place + turn) % len(FORMS)], WAYS[(place + 2 * turn + turn // 2) % len(WAYS)]
        form = "gpkg" if "gaps" in form and role == "water" else form
        file = write(folder, frame.to_crs(CRSES[crs]), form, name=role)
        blocks.append(f'[[layers]]\nrole = "{role}"\nfile = "{file}"\n{MORE.get(role, "")}\n')
    lawns = gpd.GeoDataFrame(geometry=list(shapely.box(*(at := corners(rng, 30)).T, *(at + 30.0).T)), crs=UTM)
    lawns.to_crs(4326).to_file(folder / "lawn.geojson", driver="GeoJSON")
    blocks.insert(2, '[[layers]]\nrole = "lawn"\nfile = "lawn.geojson"\nminus = ["driveway"]\n')
    path = folder / "site.toml"
    path.write_text(
        f'title = "t"\ndate = 2026-10-15\n[trees]\nfile = "trees.parquet"\nunits = {{ caliper = "mm" }}\n'
        f'caliper_at = "nursery"\n{"".join(blocks)}\n[local]\ndeer_per_km2 = 20\nwind_from_deg = 270\n'
    )
    return path


def run(site: Path, out: Path, only: tuple[str, ...] = ALL, size: Size = SMALL, **more: Any) -> Path:
    run_site(site, out=out, only=only, size=size, watch=SilentWatch(), **more)
    return out


def cut_as_ever(monkeypatch: pytest.MonkeyPatch, site: Path, out: Path, only: tuple[str, ...] = ALL) -> Path:
    """A run in parts whose ground is read at once."""
    with monkeypatch.context() as patched:
        patched.setattr(ground, "fits_parts", lambda *_: None)
        return run(site, out, only)


def record(out: Path) -> dict[str, Any]:
    """What run.json says, in its order, but sums and names of files."""
    told = json.loads((out / "run.json").read_text())
    told.pop("outputs")
    return dict(told)


def left_to_parts(monkeypatch: pytest.MonkeyPatch) -> set[str]:
    """The names of files of layers that the next run leaves to its parts."""
    left: set[str] = set()
    plain = ground.Ahead.leave_to_parts

    def leave(self: ground.Ahead, *told: Any) -> None:
        left.update(file.source.file for file in self.files.values())
        plain(self, *told)

    monkeypatch.setattr(ground.Ahead, "leave_to_parts", leave)
    return left


@pytest.mark.parametrize("turn", range(4))
def test_parts_that_read_their_ground_give_what_parts_cut_out_of_it_do(
    turn: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = big_site(tmp_path / "site", turn)
    once = run(site, tmp_path / "once", size=Size())
    cut = cut_as_ever(monkeypatch, site, tmp_path / "cut")
    left = left_to_parts(monkeypatch)
    own = run(site, tmp_path / "own")
    assert len(left) == 4 and "lawn.geojson" not in left
    compare(once, own)
    assert pq.read_table(own / "trees.parquet").equals(pq.read_table(cut / "trees.parquet"))
    assert record(own) == record(cut)  # notes and repairs in the same order, too
    codes = {note["code"] for note in record(own)["notes"]}
    assert {"geometry_repaired", "geometry_dropped", "cell_not_understood", "keep_unseen", "streams_mixed"} <= codes
    assert ("geometry_empty" in codes) == (turn % 2 == 1 and not FORMS[turn % 4].startswith("fgb"))
    facts = {entry["file"]: entry["read_as"] for entry in record(own)["inputs"]}
    assert all("features_near_trees" in facts[name] for name in left)
    for file in ("map.html", "trees.csv", "summary.csv"):
        assert (own / file).read_bytes() == (cut / file).read_bytes(), file
    for layer in pyogrio.list_layers(cut / "trees.gpkg")[:, 0]:
        tables = [pyogrio.read_arrow(folder / "trees.gpkg", layer=layer)[1] for folder in (own, cut)]
        assert tables[0].equals(tables[1]), layer


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(boxed, "MOST_WHOLE", 0)
        return big_site(tmp_path_factory.mktemp("big") / "site", 1)


@pytest.fixture(scope="module")
def own(site: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """What one process writes whose parts read their ground."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(boxed, "MOST_WHOLE", 0)
        return files_of(run(site, tmp_path_factory.mktemp("own") / "out", ("map", "parquet")))


def files_of(out: Path) -> dict[str, bytes]:
    return {file.name: file.read_bytes() for file in out.iterdir() if file.name != "timings.json"}


def test_workers_read_for_themselves_and_write_the_same_bytes(
    site: Path, own: dict[str, bytes], tmp_path: Path
) -> None:
    assert files_of(run(site, tmp_path / "out", ("map", "parquet"), workers=2)) == own


def test_a_cluster_reads_for_itself_and_writes_the_same_bytes(
    site: Path, own: dict[str, bytes], tmp_path: Path
) -> None:
    distributed = pytest.importorskip("distributed", reason="the extra riskmap[cluster] is not installed")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=":0", host="127.0.0.1", silence_logs=60
    ) as local:
        assert files_of(run(site, tmp_path / "out", ("map", "parquet"), cluster=local.scheduler_address)) == own


def features_read(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """How many features each reading of a layer gives from now on."""
    read: list[int] = []
    for module in (by_part, layers):
        plain = module.read_vector
        monkeypatch.setattr(
            module, "read_vector", lambda *a, _plain=plain, **k: read.append((t := _plain(*a, **k)).rows) or t
        )
    return read


def test_no_process_ever_holds_a_whole_layer_and_one_that_draws_nothing_reads_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = big_site(tmp_path / "site").parent
    rng = np.random.default_rng(1)
    at = corners(rng, 4000)
    write(folder, frame_of(list(shapely.box(*at.T, *(at + 5.0).T)), kind=["pond"] * 4000), "fgb", name="water")
    drawn = drawn_of(monkeypatch)
    seen: dict[str, list[int]] = {}
    for only in ("parquet", "map"):
        with monkeypatch.context() as patched:
            seen[only] = features_read(patched)
            run(folder / "site.toml", tmp_path / only, (only,), Size(most=100, part=150, worst=150))
    assert max(seen["parquet"]) < 3000 and drawn == [False]
    assert max(seen["map"]) >= 4000  # once, to be drawn


def drawn_of(monkeypatch: pytest.MonkeyPatch) -> list[bool]:
    """Notes whether all the ground near trees is asked for, each time that any is drawn."""
    asked: list[bool] = []
    plain = ground.drawn_ground
    monkeypatch.setattr(whole, "drawn_ground", lambda *told: asked.append(told[-1]) or plain(*told))
    return asked


def test_a_part_with_nothing_near_it_counts_as_surveyed(
    site: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    came: list[dict[int, ground.Came]] = []
    plain = ground.came_upon

    def hear(shop: Workshop, parts: int) -> Any:
        came.extend(shop.load(part_name(number, "ground")) for number in range(parts))
        return plain(shop, parts)

    monkeypatch.setattr(heard, "came_upon", hear)
    out = run(site, tmp_path / "out", ("parquet",))
    alone = [part for part in came if all(not one.seen.used.any() for one in part.values())]
    assert len(alone) == 1 and len(came) > 4
    table = pq.read_table(out / "trees.parquet").sort_by("row").slice(1500)
    assert set(table.column("pressure_beaver").to_pylist()) == {0.0}


@pytest.mark.parametrize("fate", ["gone", "changed"])
def test_a_file_that_is_not_as_it_was_is_named_and_no_traceback_shown(
    fate: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    site = big_site(tmp_path / "site")
    file = site.parent / "water.fgb"
    begin = path.begin_stream

    def begin_and_meddle(*told: Any, **more: Any) -> Any:
        shop = begin(*told, **more)
        file.unlink() if fate == "gone" else os.utime(file, ns=(1, 1))
        return shop

    monkeypatch.setattr(path, "begin_stream", begin_and_meddle)
    monkeypatch.setattr(import_module("riskmap.run"), "run_site", partial(run_site, size=SMALL))
    assert main(["run", str(site), "--out", str(tmp_path / "out"), "-q", "--workers", "2"]) == 3
    first, second = capsys.readouterr().err.splitlines()
    assert str(file) in first and first.startswith("error: ")
    assert ("let workers reach it under the same path" in first) == (fate == "gone")
    assert ("start the run again" in first) == (fate == "changed")
    assert "parts are done and kept" in second


def test_a_run_goes_on_after_a_stop_and_a_budget_is_split(
    site: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    calls: list[int] = []
    plain = work.with_ground

    def stop_at_ninth(*told: Any) -> Any:
        calls.append(told[-1])
        if len(calls) == 9:  # six parts are priced, and two of them worked on
            raise KeyboardInterrupt
        return plain(*told)

    with monkeypatch.context() as patched:
        patched.setattr(ground, "fits_parts", lambda *_: None)
        cut = run(site, tmp_path / "cut", ("parquet",), budget=2000.0)
    monkeypatch.setattr(work, "with_ground", stop_at_ninth)
    with pytest.raises(KeyboardInterrupt):
        run(site, tmp_path / "out", ("parquet",), budget=2000.0)
    run(site, tmp_path / "out", ("parquet",), budget=2000.0)
    assert calls[9:] == list(range(calls[8], max(calls) + 1))
    assert files_of(tmp_path / "out") == files_of(cut)


LAYER = """title = "t"
date = 2026-10-15
[trees]
file = "trees.parquet"
[[layers]]
role = "{role}"
file = "{file}"
{more}
"""


@pytest.mark.parametrize(
    ("odd", "role", "more"),
    [
        ("shapefile", "water", ""),
        ("zip", "water", ""),
        ("small", "water", ""),
        ("no crs", "water", f'crs = "{UTM}"'),
        ("only pipes near", "water", ""),
        ("far off", "water", ""),
        ("nothing kept", "water", 'keep = { kind = ["none"] }'),
        ("strict", "water", 'on_invalid = "error"'),
        ("covers", "water", 'covers = "covers.geojson"'),
        ("area", "study_area", ""),
    ],
)
def test_what_hangs_on_all_features_is_read_at_once(
    odd: str, role: str, more: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rng = np.random.default_rng(2)
    trees_frame(rng).to_parquet(tmp_path / "trees.parquet")
    at = corners(rng, 50) + (50_000 if odd == "far off" else 0)
    kinds = ["pipeline"] * 50 if odd == "only pipes near" else ["pond"] * 50
    frame = frame_of(list(shapely.box(*at.T, *(at + 20.0).T)), kind=kinds)
    if odd == "only pipes near":
        frame.loc[50, "kind"] = "lake"
    if odd == "no crs":
        frame = frame.set_crs(None, allow_override=True)
    file = write(tmp_path, frame, {"shapefile": "shp", "covers": "gpkg"}.get(odd, "fgb"))
    if odd == "zip":
        with zipfile.ZipFile(tmp_path / "w.zip", "w") as archive:
            archive.write(tmp_path / file, "water.fgb")
        file = "w.zip"
    square = shapely.box(X - 100, Y - 100, X + SIDE_M, Y + SIDE_M)
    gpd.GeoDataFrame(geometry=[square], crs=UTM).to_crs(4326).to_file(tmp_path / "covers.geojson", driver="GeoJSON")
    site = tmp_path / "site.toml"
    site.write_text(LAYER.format(role=role, file=file, more=more))
    if odd == "small":
        monkeypatch.setattr(boxed, "MOST_WHOLE", (tmp_path / file).stat().st_size + 1)
    cut = cut_as_ever(monkeypatch, site, tmp_path / "cut", ("parquet",))
    left = left_to_parts(monkeypatch)
    own = run(site, tmp_path / "own", ("parquet",))
    assert left == set()
    assert files_of(own) == files_of(cut)


def test_groups_of_rows_out_of_the_way_are_passed_over_once_their_bounds_are_known(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shapes: list[Any] = [shapely.box(X + i * 100, Y, X + i * 100 + 10, Y + 10) for i in range(60)]
    shapes[55] = None
    gpd.GeoDataFrame({"n": range(60)}, geometry=shapes, crs=UTM).to_parquet(tmp_path / "w.parquet", row_group_size=10)
    known = know_parquet(tmp_path / "w.parquet", file_as_typed="w.parquet")
    assert known.groups is not None and known.groups.shape == (6, 4)
    assert known.groups[1].tolist() == [X + 1000, Y, X + 1910, Y + 10]
    assert np.isnan(known.groups[5]).all()  # it holds a row that nobody can tell the place of
    looked: list[int] = []
    plain = boxed._bounds_in
    monkeypatch.setattr(boxed, "_bounds_in", lambda *told: looked.append(told[1]) or plain(*told))
    box = (X + 1150, Y, X + 1350, Y + 5)
    table = read_vector(tmp_path / "w.parquet", near=lambda _: (box,), known=known)
    assert looked == [1, 5] and table.feature.tolist() == [13, 14, 56]
    assert know_parquet(big_parquet(tmp_path), file_as_typed="c").groups is None


def big_parquet(folder: Path) -> Path:
    """One with a covering, which tells where everything is."""
    frame = gpd.GeoDataFrame(geometry=[shapely.box(X, Y, X + 10, Y + 10)], crs=UTM)
    frame.to_parquet(folder / "c.parquet", write_covering_bbox=True)
    return folder / "c.parquet"


def test_shapes_that_must_be_cut_to_the_window_are_cut_to_that_of_all_trees(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rng = np.random.default_rng(4)
    trees_frame(rng).to_parquet(tmp_path / "trees.parquet")
    lon, lat = -75.24, 42.30
    at = np.array([lon, lat]) + rng.uniform(0, 0.024, (40, 2))
    shapes: list[Any] = list(shapely.box(*at.T, *(at + 0.0004).T))
    shapes += [
        shapely.LineString([(lon + 0.01, lat + 0.01), (lon + 150, lat + 0.02)]),  # leads off every map
        shapely.Polygon([(lon, lat + 0.004), (lon + 140, lat + 0.004), (lon + 140, lat + 0.03), (lon, lat + 0.005)]),
        shapely.LineString(
            [(lon - 1, lat - 50), (lon + 150, lat - 50), (lon + 150, lat + 1)]
        ),  # only its bounds are near
    ]
    frame = gpd.GeoDataFrame({"n": np.arange(len(shapes))}, geometry=shapes, crs=4326)
    file = write(tmp_path, frame, "gpkg")
    site = tmp_path / "site.toml"
    site.write_text(LAYER.format(role="water", file=file, more=""))
    cut = cut_as_ever(monkeypatch, site, tmp_path / "cut", ("parquet", "map"))
    left = left_to_parts(monkeypatch)
    own = run(site, tmp_path / "own", ("parquet", "map"))
    assert left == {file}
    assert files_of(own) == files_of(cut)
    lost = [note for note in record(own)["notes"] if "have no place" in note["what"]]
    assert [(note["count"], note["rows"]) for note in lost] == [(1, [43])]


def test_another_way_into_the_working_crs_than_the_first_process_took_is_refused(
    site: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plain = ground.Outlook.bring

    def bring_by_another_way(self: ground.Outlook, data: Any) -> Any:
        brought = plain(self, data)
        return replace(brought, way=[{**step, "operation": "another"} for step in brought.way])

    def begin_and_meddle(*told: Any, **more: Any) -> Any:
        shop = begin(*told, **more)
        monkeypatch.setattr(ground.Outlook, "bring", bring_by_another_way)
        return shop

    begin = path.begin_stream
    monkeypatch.setattr(path, "begin_stream", begin_and_meddle)
    with pytest.raises(MachineError, match="the same PROJ, with the same grids, as this machine"):
        run(site, tmp_path / "out", ("parquet",))
