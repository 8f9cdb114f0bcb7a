"""trees.csv, trees.parquet, trees.gpkg and summary.csv: columns, rounding, empties, hostile text, same bytes."""

from __future__ import annotations

import csv
import datetime as dt
import hashlib
import io
import json
import re
import sqlite3
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet as pq
import pyogrio
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from result_factory import make_result

from riskmap import tables
from riskmap.deliver.columns import result_table
from riskmap.deliver.csv_file import as_text, guard_cells, write_csv_table
from riskmap.deliver.geopackage import write_geopackage
from riskmap.deliver.summary import summary_table, write_summary
from riskmap.deliver.tables import write_csv, write_parquet
from riskmap.model import Coded, Result
from riskmap.read.rows import unguard

HOSTILE = [
    "=cmd|' /C calc'!A0",
    "+1+1",
    "@SUM(A1)",
    "-2+3",
    "\t=1",
    "\r=1",
    "'=1",
    "''@x",
    "-75.01",
    "'-75.01",
    "</script><script>alert(1)</script>",
    'a "quoted" word, and a comma',
    "two\nlines",
    " padded ",
    "日本, naïve \u202eright",
    "; ",
    "nan",
    "-9999",
    "{{ 7*7 }}",
    "0012",
]


def hostile_result() -> Result:
    """A result whose ids, species and own columns are hostile."""
    n = len(HOSTILE)
    own = pa.table({"Remark": pa.array(HOSTILE), "NOTES": pa.array(HOSTILE), "=x": pa.array(HOSTILE)})
    return make_result(n, own=own, tree_id=pa.array(HOSTILE), species=HOSTILE)


def read_csv(file: Path) -> list[dict[str, str]]:
    """Read a CSV with the standard library's reader, which knows nothing of ours."""
    with file.open(encoding="utf-8-sig", newline="") as held:
        return list(csv.DictReader(held))


def test_columns_stand_in_the_order_of_the_contract() -> None:
    assert result_table(make_result()).column_names == [
        *["row", "tree_id", "x", "y", "lon", "lat", "species", "caliper_mm", "caliper_used_mm", "height_m", "planted"],
        *["distance_water_m", "inside_water", "edge_water_m", "nearest_water"],
        *["distance_lawn_m", "inside_lawn", "edge_lawn_m", "nearest_lawn"],
        *["snow_depth_value", "snow_depth_status", "snow_depth_m"],
        *["pressure_beaver", "band_beaver", "pressure_mower", "band_mower"],
        *["pressure_any", "loss_any", "decisive_agent", "action", "guard", "guard_height_mm", "guard_reason"],
        *[
            "agents_stopped",
            "agents_open",
            "cost",
            "cost_per_year",
            "on_month",
            "off_month",
            "off_when",
            "not_scored",
            "notes",
        ],
        "Remark",
    ]


def test_every_column_is_listed_with_its_meaning() -> None:
    patterns = [re.sub(r"<(role|raster|agent)>", r"(.+)", row.key) for row in tables.columns()]
    for name in result_table(make_result()).column_names[:-1]:
        assert any(re.fullmatch(pattern, name) for pattern in patterns), name
    assert all(row.meaning for row in tables.columns())


def test_csv_says_it_in_the_words_of_the_contract(tmp_path: Path) -> None:
    write_csv(make_result(), tmp_path)
    first, second, _, last = read_csv(tmp_path / "trees.csv")
    assert (first["row"], first["tree_id"], first["x"], first["y"]) == ("2", "T1", "500000", "4683000")
    assert (first["lon"], first["lat"]) == ("-75", "42.29922767")
    assert (first["distance_water_m"], first["inside_water"], first["nearest_water"]) == ("20", "false", "1:1")
    assert (first["distance_lawn_m"], first["inside_lawn"], first["edge_lawn_m"]) == ("0", "true", "5")
    assert (first["pressure_beaver"], first["band_beaver"], first["band_mower"]) == ("0.071235", "some", "none")
    assert (first["guard_height_mm"], first["cost"], first["on_month"], first["off_month"]) == (
        "900",
        "12.34",
        "11",
        "4",
    )
    # past the reach: surveyed and farther, all four empty
    assert [second[name] for name in ("distance_lawn_m", "inside_lawn", "edge_lawn_m", "nearest_lawn")] == [""] * 4
    assert (second["guard"], second["guard_height_mm"], second["on_month"], second["cost"]) == ("", "", "", "0")
    assert second["notes"] == "species_unknown"
    # without a place: empty, with the reason, and still a row
    assert [
        last[name] for name in ("x", "lon", "distance_water_m", "pressure_beaver", "band_beaver", "pressure_any")
    ] == [""] * 6
    assert (last["snow_depth_status"], last["snow_depth_value"]) == ("outside", "")
    assert last["not_scored"] == "the row has no place"


@pytest.mark.parametrize("kind", ["caliper_mm", "dbh_mm", "girth_mm"])
def test_the_stem_stands_under_what_was_measured(kind: str) -> None:
    names = result_table(make_result(stem_kind=kind)).column_names
    assert [name for name in names if name in ("caliper_mm", "dbh_mm", "girth_mm")] == [kind]


def test_degrees_come_out_as_given() -> None:
    result = make_result(lonlat_as_given=True)
    table = result_table(result)
    assert table["lon"].to_pylist()[:2] == [0.0, 10.0]  # what the file held, not what the projection gave back
    assert table["lon"].to_pylist()[-1] is None


def test_nothing_is_infinite_or_nan() -> None:
    result = make_result()
    result.choices.cost[0] = np.inf
    table = result_table(result)
    for name in table.column_names:
        column = table[name]
        if pa.types.is_floating(column.type):
            values = np.array([value for value in column.to_pylist() if value is not None])
            assert np.isfinite(values).all(), name
    assert table["cost"][0].as_py() is None


def test_remarks_of_all_stations_are_joined() -> None:
    result = make_result(4, remarks=(("caliper_over_2_m",), ("date_two_readings",), (), ()))
    result.exposures["water"].edge_of_data[1] = True
    assert result_table(result)["notes"].to_pylist() == [
        "caliper_over_2_m",
        "date_two_readings; species_unknown; edge_of_data:water",
        None,
        None,
    ]


def test_a_name_of_ours_gets_in() -> None:
    own = pa.table({name: [1, 2, 3, 4] for name in ("Row", "fid", "GEOM", "ward", "Ward", "cost", "cost_in", "")})
    names = result_table(make_result(own=own)).column_names[-8:]
    assert names == ["Row_in", "fid_in", "GEOM_in", "ward", "Ward_in", "cost_in", "cost_in_in", "column"]


def test_csv_guards_what_a_spreadsheet_would_run(tmp_path: Path) -> None:
    write_csv(hostile_result(), tmp_path)
    text = (tmp_path / "trees.csv").read_text(encoding="utf-8-sig")
    cells = [cell for line in csv.reader(io.StringIO(text, newline="")) for cell in line]
    runs = [cell for cell in cells if cell[:1] in "=+-@\t\r" and cell and not re.fullmatch(r"[+-]?[0-9.]+", cell)]
    assert runs == []
    assert "-75.01" in cells
    rows = read_csv(tmp_path / "trees.csv")
    assert list(rows[0])[-3:] == ["Remark", "NOTES_in", "'=x"]
    for column in ("tree_id", "species", "Remark", "NOTES_in", "'=x"):
        assert [unguarded(row[column]) for row in rows] == HOSTILE


def unguarded(cell: str) -> str:
    """Take one apostrophe off a guarded cell, by the words of the contract."""
    rest = cell[1:]
    runs = rest.lstrip("'")[:1] in list("=+-@\t\r") and not re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", rest)
    return rest if cell.startswith("'") and runs else cell


@settings(max_examples=200, deadline=None)
@given(st.lists(st.text(alphabet="'=+-@\t\r\n0123456789.eE,;\" aß", max_size=8), min_size=1, max_size=4))
def test_any_text_comes_back_equal(cells: list[str]) -> None:
    written = guard_cells(pa.array(cells))
    assert [unguarded(cell) for cell in written.to_pylist()] == cells
    assert unguard(pa.table({"a": written}))["a"].to_pylist() == cells  # our own reader


@settings(max_examples=100, deadline=None)
@given(cells=st.lists(st.text(alphabet="=',\"\r\n\t ab7", max_size=6), min_size=1, max_size=4))
def test_csv_lines_read_back_equal(cells: list[str], tmp_path_factory: pytest.TempPathFactory) -> None:
    file = tmp_path_factory.getbasetemp() / "cells.csv"
    write_csv_table(
        pa.table({"a": pa.array(cells), "b": pa.array(cells).dictionary_encode(), "c": [1] * len(cells)}), file
    )
    rows = read_csv(file)
    assert [unguarded(row["a"]) for row in rows] == [unguarded(row["b"]) for row in rows] == cells
    assert {row["c"] for row in rows} == {"1"}


def test_csv_bytes_are_ascii_plain_or_marked(tmp_path: Path) -> None:
    write_csv_table(pa.table({"a": ["oak"]}), tmp_path / "plain.csv")
    write_csv_table(pa.table({"a": ["chêne"]}), tmp_path / "marked.csv")
    write_csv_table(pa.table({"a": pa.array(["chêne"]).dictionary_encode()}), tmp_path / "coded.csv")
    assert (tmp_path / "plain.csv").read_bytes() == b"a\noak\n"
    assert (tmp_path / "marked.csv").read_bytes() == b"\xef\xbb\xbfa\nch\xc3\xaane\n"
    assert (tmp_path / "coded.csv").read_bytes() == (tmp_path / "marked.csv").read_bytes()


@pytest.mark.parametrize(
    "odd", [None, -0.0, float("nan"), float("inf"), -1.5, 0.0005, 999.9995, 1000.0, 1000.001, 1.7e308, 123456.0]
)
def test_long_columns_of_numbers_read_as_short_ones(odd: float | None) -> None:
    values = [number / 1000 for number in range(0, 1_000_001, 37)] + [odd]
    long = pa.array(values)[5:]
    short = [text for start in range(0, len(long), 1000) for text in as_text(long[start : start + 1000]).to_pylist()]
    assert as_text(long).to_pylist() == short
    assert short[:3] == ["0.185", "0.222", "0.259"]


def test_csv_of_no_rows_has_its_header(tmp_path: Path) -> None:
    write_csv_table(pa.table({"a": pa.array([], pa.string()), "b": pa.array([], pa.float64())}), tmp_path / "none.csv")
    assert (tmp_path / "none.csv").read_bytes() == b"a,b\n"


def every_type() -> pa.Table:
    """The user's columns in every type a Parquet file may bring."""
    one: dict[str, pa.Array] = {
        "date": pa.array([dt.date(2026, 1, 2), None] * 2),
        "time": pa.array([dt.datetime(2026, 1, 2, 3, 4, 5), None] * 2),
        "clock": pa.array([dt.time(3, 4, 5), None] * 2),
        "zone": pa.array([dt.datetime(2026, 1, 2, 3, 4, 5, tzinfo=dt.UTC), None] * 2),
        "flag": pa.array([True, None] * 2),
        "whole": pa.array([2**63 - 1, None] * 2),
        "unsigned": pa.array([2**64 - 1, None] * 2, pa.uint64()),
        "small": pa.array([-3, None] * 2, pa.int8()),
        "real": pa.array([float("nan"), 0.1] * 2),
        "single": pa.array([0.5, None] * 2, pa.float32()),
        "list": pa.array([["a", "ü,"], None] * 2),
        "record": pa.array([{"k": 1}, None] * 2),
        "bytes": pa.array([b"\x00\xff", None] * 2),
        "empty": pa.nulls(4),
        "kind": pa.array(["=a", None] * 2).dictionary_encode(),
        "large": pa.array(["=a", None] * 2, pa.large_string()),
    }
    return pa.table(one)


def test_every_type_of_the_users_columns_is_written(tmp_path: Path) -> None:
    result = make_result(own=every_type())
    write_csv(result, tmp_path)
    write_parquet(result, tmp_path)
    write_geopackage(result, tmp_path)
    first, second = read_csv(tmp_path / "trees.csv")[:2]
    assert [first[name] for name in ("date", "flag", "whole", "unsigned", "small", "real", "single")] == [
        *("2026-01-02", "true", "9223372036854775807", "18446744073709551615", "-3", "", "0.5"),
    ]
    assert (first["list"], first["record"], first["bytes"]) == ('["a", "\\u00fc,"]', '{"k": 1}', "00ff")
    assert (first["kind"], first["large"], first["clock"], first["time"]) == (
        "'=a",
        "'=a",
        "03:04:05.000000",
        "2026-01-02 03:04:05.000000",
    )
    assert [second[name] for name in every_type().column_names if name != "real"] == [""] * 15
    assert second["real"] == "0.1"
    assert pq.read_table(tmp_path / "trees.parquet")["list"].to_pylist()[0] == ["a", "ü,"]
    frame = geopandas.read_file(tmp_path / "trees.gpkg", layer="trees", columns=every_type().column_names)
    assert frame["unsigned"][0] == "18446744073709551615"
    assert frame["kind"][0] == "=a"


def test_parquet_is_geoparquet_and_holds_text_unchanged(tmp_path: Path) -> None:
    write_parquet(hostile_result(), tmp_path)
    frame = geopandas.read_parquet(tmp_path / "trees.parquet")
    assert frame.crs == "EPSG:32618"
    assert frame["tree_id"].tolist() == frame["species"].tolist() == frame["Remark"].tolist() == HOSTILE
    assert frame.geometry.x[:2].tolist() == [500000.0, 500010.0]
    assert frame.geometry.isna().tolist() == [False] * (len(HOSTILE) - 1) + [True]
    geo = json.loads(pq.read_metadata(tmp_path / "trees.parquet").metadata[b"geo"])
    assert geo["version"] == "1.1.0"
    assert geo["columns"]["geometry"]["bbox"] == [500000.0, 4683000.0, 500180.0, 4683000.0]


def test_geopackage_holds_trees_ground_and_styles(tmp_path: Path) -> None:
    write_geopackage(hostile_result(), tmp_path)
    file = tmp_path / "trees.gpkg"
    layers = dict(pyogrio.list_layers(file))
    assert layers == {
        "trees": "Point",
        "reach": "MultiPolygon",
        "site": "MultiPolygon",
        "site_lines": "MultiLineString",
        "layer_styles": None,
    }
    trees = geopandas.read_file(file, layer="trees")
    assert trees.crs == "EPSG:32618"
    assert trees["tree_id"].tolist() == trees["Remark"].tolist() == trees["=x"].tolist() == HOSTILE
    assert trees.geometry.isna().sum() == 1
    assert trees["inside_lawn"][0] == 1
    assert trees["inside_lawn"].isna().tolist()[1:] == [True] * (len(HOSTILE) - 1)
    site = geopandas.read_file(file, layer="site")
    assert site[["role", "layer", "feature", "file"]].values.tolist() == [
        ["lawn", 2, 1, "lawn.gpkg"],
        ["lawn", 2, 2, "lawn.gpkg"],
    ]
    assert geopandas.read_file(file, layer="site_lines")["role"].tolist() == ["water"]
    with sqlite3.connect(file) as base:
        styles = dict(base.execute("SELECT f_table_name, styleQML FROM layer_styles WHERE useAsDefault = 1"))
    assert set(styles) == {"trees", "reach", "site", "site_lines"}
    reach = geopandas.read_file(file, layer="reach")
    # common sense, no source: the wider the band, the lower the pressure
    beaver = reach[reach["agent"] == "beaver"].set_index("band")
    assert beaver["to_m"].is_monotonic_decreasing
    assert beaver["role"].tolist() == ["water"] * len(beaver)
    assert "coalesce(&quot;guard&quot;, &quot;action&quot;) IN ('Wire cylinder 900 mm')" in styles["trees"]


def test_geopackage_takes_any_folder_name(tmp_path: Path) -> None:
    folder = tmp_path / "Río #1 100%! (final)"
    folder.mkdir()
    write_geopackage(make_result(), folder)
    assert [path.name for path in folder.iterdir()] == ["trees.gpkg"]


def test_same_result_same_bytes(tmp_path: Path) -> None:
    digests = []
    for name in ("one", "two"):
        folder = tmp_path / name
        folder.mkdir()
        for write in (write_csv, write_parquet, write_geopackage, write_summary):
            write(hostile_result(), folder)
        digests.append({file.name: hashlib.sha256(file.read_bytes()).hexdigest() for file in folder.iterdir()})
    assert digests[0] == digests[1]
    assert set(digests[0]) == {"trees.csv", "trees.parquet", "trees.gpkg", "summary.csv"}


def rows_of(table: pa.Table, names: Sequence[str]) -> list[tuple[Any, ...]]:
    """Some columns as rows."""
    return list(zip(*(table[name].to_pylist() for name in names), strict=True))


def test_summary_lists_what_may_come_off_first_and_wards_by_number() -> None:
    assert rows_of(summary_table(make_result(5)), ("group", "action", "guard", "trees", "cost", "hours")) == [
        ("Ward 2", "remove", None, 2, 0.0, 0.2),
        ("Ward 2", "fit", "Wire cylinder 900 mm", 1, 12.34, 0.25),
        ("Ward 10", "fit", "Wire cylinder 900 mm", 2, 24.68, 0.5),
    ]


def test_summary_adds_up_to_the_tree_table() -> None:
    result = make_result(33)
    result.choices.cost[:] = np.linspace(0, 7.777, 33)
    trees, summary = result_table(result), summary_table(result)
    assert sum(summary["trees"].to_pylist()) == 33
    assert round(sum(summary["cost"].to_pylist()), 2) == round(sum(trees["cost"].to_pylist()), 2)


def test_summary_without_groups_has_one_empty_group() -> None:
    result = make_result(group=None)
    assert set(summary_table(result)["group"].to_pylist()) == {None}
    assert isinstance(result.site.trees.table.group, Coded)
