"""Trees read piece by piece give what trees read whole give, in every word and number."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import geopandas
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import shapely

from riskmap.errors import InputError
from riskmap.in_parts import Size, gathered, streaming
from riskmap.in_parts.id_book import IdBook
from riskmap.in_parts.spread import Spread
from riskmap.in_parts.workshop import Workshop
from riskmap.model import SilentWatch
from riskmap.read import open_tree_stream, read_settings
from riskmap.run import run_site

DEMO = Path(__file__).parents[1] / "data_demo"
SMALL = Size(most=100, part=400, worst=150)
ALL = ("map", "csv", "parquet", "summary")
Frame = geopandas.GeoDataFrame


def street_frame() -> Frame:
    """The street list as shapes with typed columns, and everything odd that a large file may hold."""
    table = pd.read_csv(DEMO / "streets" / "street_trees.csv", dtype={"TreeID": str})
    points = shapely.points(table["Longitude"].to_numpy(), table["Latitude"].to_numpy())
    points[table["Longitude"].isna()] = None
    points[40] = shapely.Point(0, 0)
    points[1500] = shapely.Point(-75.1, 44.9)  # far from the rest
    points[1700:1703] = points[12]
    points[9] = shapely.Point()
    table = table.drop(columns=["Longitude", "Latitude"])
    table.loc[[3, 900, 1999], "TreeID"] = "twice"
    table.loc[[5, 1200], "TreeID"] = None
    table.loc[[8, 1600], "Height_ft"] = -2.0
    table.loc[[20, 1000], "DBH_in"] = 200.0
    table["Planted"] = pd.to_datetime(table["Planted"].astype("Int64").astype(str), format="%Y", errors="coerce")
    table.loc[77, "Planted"] = pd.Timestamp("2030-05-01")
    table.loc[[2, 1100], "Species"] = "Unheardof tree"
    table["Empty"] = pd.Series([None] * len(table), dtype="float64")
    return Frame(table, geometry=points, crs="EPSG:4326")


def street_site(folder: Path, frame: Frame, *, change: Callable[[str], str] = str) -> Path:
    """The street site with its trees as GeoParquet."""
    shutil.copytree(DEMO / "streets", folder)
    frame.to_parquet(folder / "trees.parquet", row_group_size=300)
    site = folder / "site.toml"
    text = site.read_text(encoding="utf-8").replace('"street_trees.csv"', '"trees.parquet"')
    text = text.replace('x = "Longitude", y = "Latitude", ', "").replace('crs  = "EPSG:4326"', "")
    site.write_text(change(text), encoding="utf-8")
    return site


@pytest.fixture
def small_pieces(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Pieces of 333 trees; tells whether trees were read in pieces at all."""
    monkeypatch.setattr(streaming, "PIECE", 333)
    read: list[str] = []
    plain = streaming._plan
    monkeypatch.setattr(streaming, "_plan", lambda *told: read.append("pieces") or plain(*told))
    return read


def by_row(folder: Path) -> pa.Table:
    """The tree table, in the order of the file."""
    return pq.read_table(folder / "trees.parquet").sort_by("row")


def compare(once: Path, parts: Path) -> None:
    """Every cell of every tree, the summary, and what is said."""
    one, other = by_row(once), by_row(parts)
    assert one.schema.names == other.schema.names
    for name in one.schema.names:
        assert one.column(name).to_pylist() == other.column(name).to_pylist(), name
    assert (once / "summary.csv").read_bytes() == (parts / "summary.csv").read_bytes()
    said, told = (json.loads((folder / "run.json").read_text(encoding="utf-8")) for folder in (once, parts))
    for name in ("notes", "inputs", "local", "not_surveyed", "repaired"):
        assert sorted(map(str, said[name])) == sorted(map(str, told[name])), name
    said["counts"].pop("money", None)  # what each sum would buy is told by one run alone
    assert said["counts"] == told["counts"]
    taken, took = (sorted(map(str, one["assumptions"])) for one in (said, told))
    assert taken == [one for one in took if "'topic': 'parts'" not in one]


def both_ways(site: Path, folder: Path, small_pieces: list[str], *, size: Size = SMALL) -> None:
    """Run a site at once and in parts, its trees read piece by piece, and compare."""
    run_site(site, out=folder / "once", only=ALL, watch=SilentWatch())
    run_site(site, out=folder / "parts", only=ALL, size=size, watch=SilentWatch())
    assert small_pieces == ["pieces"]
    compare(folder / "once", folder / "parts")


def test_pieces_give_what_the_whole_gives(tmp_path: Path, small_pieces: list[str]) -> None:
    site = street_site(tmp_path / "site", street_frame())
    both_ways(site, tmp_path, small_pieces)


def test_a_remark_on_a_tree_of_one_part_alone(tmp_path: Path, small_pieces: list[str]) -> None:
    """All trees stand on the map, which joins those of every part, with remarks and without."""
    frame = street_frame()
    sound = ~(frame.geometry.isna() | frame.geometry.is_empty | frame.index.isin([40, 1500, *range(1700, 1703)]))
    frame = frame[sound].reset_index(drop=True)
    frame["TreeID"] = [f"T{number}" for number in range(len(frame))]
    frame[["Height_ft", "DBH_in"]] = 9.0, 2.0
    frame["Planted"] = pd.Timestamp("2024-04-01")
    frame["GuardSince"] = pd.NaT
    frame.loc[[7, 8], "TreeID"] = "twice"
    site = street_site(tmp_path / "site", frame)
    both_ways(site, tmp_path, small_pieces, size=replace(SMALL, worst=len(frame)))


def test_degrees_or_feet_sorted_or_not(tmp_path: Path, small_pieces: list[str]) -> None:
    frame = street_frame().sample(frac=1.0, random_state=7)
    placed = [shape is not None and not shape.is_empty and index != 40 for index, shape in frame.geometry.items()]
    frame = frame[placed].to_crs("EPSG:2261")
    site = street_site(tmp_path / "site", frame)
    both_ways(site, tmp_path, small_pieces)


def test_a_table_with_columns_of_coordinates(tmp_path: Path, small_pieces: list[str]) -> None:
    frame = street_frame()
    points = frame.geometry.to_numpy()
    points[shapely.is_empty(points)] = None
    places = {"Longitude": shapely.get_x(points), "Latitude": shapely.get_y(points)}
    site = street_site(tmp_path / "site", frame)
    table = pd.DataFrame(frame.drop(columns=["geometry"])).assign(**places)
    table.loc[30, "Latitude"] = 412.0
    table.to_parquet(site.parent / "trees.parquet")
    both_ways(site, tmp_path, small_pieces)


def test_a_few_trees_stand_for_all(tmp_path: Path, small_pieces: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(gathered, "MOST_EVEN", 250)
    site = street_site(tmp_path / "site", street_frame())
    run_site(site, out=tmp_path / "once", only=("parquet",), watch=SilentWatch())
    run_site(site, out=tmp_path / "parts", only=("parquet",), size=SMALL, watch=SilentWatch())
    assert small_pieces == ["pieces"]
    assert by_row(tmp_path / "once").equals(by_row(tmp_path / "parts"))


@pytest.mark.parametrize("odd", ["text sizes", "a piece of other ways", "no crs"])
def test_what_hangs_on_the_whole_file_is_read_whole(odd: str, tmp_path: Path, small_pieces: list[str]) -> None:
    frame = street_frame()
    if odd == "text sizes":
        frame["DBH_in"] = frame["DBH_in"].map(lambda size: f"{size:.1f}".replace(".", ",") if size > 0 else "")
    if odd == "a piece of other ways":
        frame["Surface"] = np.where(np.arange(len(frame)) < 400, "of its own kind", "turf")
    site = street_site(tmp_path / "site", frame, change=lambda text: text.replace('surface = "Surface", ', ""))
    if odd == "no crs":
        frame.set_crs(None, allow_override=True).to_parquet(site.parent / "trees.parquet")
        site.write_text(site.read_text(encoding="utf-8").replace("[trees]", '[trees]\ncrs = "EPSG:4326"'), "utf-8")
    run_site(site, out=tmp_path / "once", only=("parquet",), watch=SilentWatch())
    run_site(site, out=tmp_path / "parts", only=("parquet",), size=SMALL, watch=SilentWatch())
    assert small_pieces == []
    assert by_row(tmp_path / "once").equals(by_row(tmp_path / "parts"))


def test_every_fault_is_told_once(tmp_path: Path, small_pieces: list[str]) -> None:
    def wrong(text: str) -> str:
        return text.replace('SiteKind = ["Tree"]', 'SiteKind = ["Shrub"]').replace('"water.geojson"', '"none.geojson"')

    site = street_site(tmp_path / "site", street_frame(), change=wrong)
    told = []
    for size in (Size(), SMALL):
        with pytest.raises(InputError) as raised:
            run_site(site, out=tmp_path / "out", size=size, watch=SilentWatch())
        told.append([str(problem) for problem in raised.value.problems])
    assert told[0] == told[1]
    assert len(told[0]) == 2
    assert small_pieces == []


def test_lines_among_the_trees_are_named_by_their_number_in_the_file(tmp_path: Path, small_pieces: list[str]) -> None:
    frame = street_frame()
    frame.loc[700, "geometry"] = shapely.LineString([(-75.4, 42.4), (-75.39, 42.4)])
    site = street_site(tmp_path / "site", frame)
    for size in (Size(), SMALL):
        with pytest.raises(InputError) as raised:
            run_site(site, out=tmp_path / "out", size=size, watch=SilentWatch())
        assert raised.value.problems[0].row == 701


def test_pieces_are_rows_of_the_file(tmp_path: Path) -> None:
    site = street_site(tmp_path / "site", street_frame())
    with open_tree_stream(read_settings(site)) as stream:
        assert stream is not None
        pieces = list(stream.pieces(700))
        assert [len(piece.table.row) for piece in pieces[:-1]] == [700] * (len(pieces) - 1)
        assert np.concatenate([piece.table.row for piece in pieces]).tolist() == list(range(1, stream.rows + 1))


@pytest.mark.parametrize("name", ["trees.geojson", "none.parquet", "broken.parquet", "wkb.parquet"])
def test_other_files_are_left_to_be_read_whole(name: str, tmp_path: Path) -> None:
    site = street_site(tmp_path / "site", street_frame())
    site.write_text(site.read_text(encoding="utf-8").replace('"trees.parquet"', f'"{name}"'), "utf-8")
    frame = street_frame()
    pd.DataFrame(frame.to_wkb()).to_parquet(site.parent / "wkb.parquet")
    (site.parent / "broken.parquet").write_bytes(
        (site.parent / "trees.parquet").read_bytes()[:-60] + b"x" * 56 + b"PAR1"
    )
    (site.parent / "trees.geojson").write_text(frame[["TreeID", "geometry"]].head(5).to_json(), "utf-8")
    if name == "none.parquet":
        with pytest.raises(InputError), open_tree_stream(read_settings(site)):
            pass
        return
    with open_tree_stream(read_settings(site)) as stream:
        assert stream is None


def test_one_tree_of_every_square_tells_the_reach(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(gathered, "MOST_EVEN", 10)
    monkeypatch.setattr(gathered, "SQUARE_M", 100.0)
    for frame, side in ((street_frame(), 100 / 1e5), (street_frame().to_crs(2261), 100 / 0.3048006096)):
        site = street_site(tmp_path / f"site{side}", frame)
        with open_tree_stream(read_settings(site)) as stream:
            assert stream is not None
            sample, pieces = gathered.Sample(stream.rows), [piece.table for piece in stream.pieces(500)]
        for piece in pieces:
            sample.take_in(piece)
        trees, even = sample.trees()
        squares = [
            set(zip(*(np.floor(one[axis] / side) for axis in "xy"), strict=True))
            for one in (
                {axis: np.concatenate([getattr(piece, axis) for piece in pieces]) for axis in "xy"},
                {axis: getattr(trees, axis)[even:] for axis in "xy"},
            )
        ]
        every, rim = ({square for square in some if np.isfinite(square).all()} for some in squares)
        assert even == 10 and rim == every and len(trees.row) == even + len(every)
        assert not trees.kept[even:].any()


def test_repeated_ids_are_found_across_pieces(tmp_path: Path) -> None:
    book = IdBook(tmp_path)
    ids = [f"T{number}" for number in range(5000)] + ["T7", "T4999", "T7", ""]
    pieces = [pa.array([text or None for text in ids[at : at + 900]]) for at in range(0, len(ids), 900)]
    for piece in pieces:
        book.take_in(piece)
    book.close()
    found = np.concatenate([book.repeated(piece) for piece in pieces])
    assert found.tolist() == [text != "" and ids.count(text) > 1 for text in ids]
    assert not list(tmp_path.glob("ids.*"))


def test_trees_spread_over_parts_come_back_once_and_near_ones_together(tmp_path: Path) -> None:
    site = street_site(tmp_path / "site", street_frame())
    with open_tree_stream(read_settings(site)) as stream:
        assert stream is not None
        pieces = [piece.table for piece in stream.pieces(500)]
    x, y = (np.concatenate([getattr(trees, axis) for trees in pieces]) for axis in "xy")
    spread = Spread(x, y, Workshop.made(tmp_path / "shop", "digest"))
    for trees in pieces:
        spread.take_in(trees.x, trees.y)
    parts = spread.settle(400)
    for trees in pieces:
        spread.put_down(trees)
    back = [part for number in range(parts) if (part := spread.take_up(number)) is not None]
    rows = np.concatenate([part.row for part in back])
    assert sorted(rows.tolist()) == list(range(1, len(rows) + 1))
    assert all((np.diff(part.row) > 0).all() for part in back)
    assert max(len(part.row) for part in back) < 600
    wide = [float(np.nanquantile(part.x, 0.9) - np.nanquantile(part.x, 0.1)) for part in back]
    assert np.median(wide) < 0.6 * float(np.nanquantile(x, 0.9) - np.nanquantile(x, 0.1))
