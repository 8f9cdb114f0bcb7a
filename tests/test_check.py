"""What is suspicious: repeated ids and points, slips of size and date, exchanged coordinates, places far off."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pyarrow as pa
import pyproj
import pytest
import shapely
from conftest import make_inputs, make_site, make_table

from riskmap.check import check_inputs, check_site, gather_result, list_inputs
from riskmap.errors import InputError, Problem
from riskmap.model import Inputs, MapSettings, Note, RasterValues, ReadAs

FOUR = [(0, 0), (10, 0), (20, 0), (30, 0)]


def inputs_of(xy: Any, **columns: Any) -> Inputs:
    """Inputs with trees of these columns and no layer."""
    return replace(make_inputs(xy), trees=make_table(xy, **columns))


def noted(inputs: Inputs, code: str) -> Note | None:
    """The one note of a code, if any."""
    found = [note for note in list_inputs(inputs).notes if note.code == code]
    assert len(found) < 2
    return found[0] if found else None


def test_a_clean_site_says_nothing() -> None:
    assert list_inputs(inputs_of(FOUR)).notes == ()


def test_a_map_that_can_not_be_drawn_is_a_fault_before_the_work() -> None:
    """Tiles and filters are looked at with the rest, not after everything was worked out."""
    wanted = MapSettings(tiles="tiles.example", filters=("Ward", "Wrad", "Art", "DBH", "Form"))
    inputs = inputs_of(FOUR, own=pa.table({"Ward": list("abcd"), "x\ty": list("abcd")}))
    taken = {"species": "Art", "caliper": "DBH", "form": "Form"}
    read = ReadAs(file="trees.csv", path=Path("trees.csv"), sha256="", rows=4, facts={"columns": taken})
    inputs = replace(inputs, settings=replace(inputs.settings, map=wanted), read_as=(read,))
    file = inputs.settings.file.name
    assert [problem.line() for problem in list_inputs(inputs).problems] == [
        f"{file}: 'tiles.example' is no address of map tiles; write one such as "
        "https://tiles.example/{z}/{x}/{y}.png, or leave it out (map.tiles)",
        f"{file}: there is no column 'Wrad' of the trees to filter by; name some of these: Ward, x\\ty, Art, Form "
        "(map.filters)",
        f"{file}: column 'DBH' holds places, ids or sizes, by which the map can't filter; name some of these: Ward, "
        "x\\ty, Art, Form (map.filters)",
    ]


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("elevation", "raster elevation has no data (nodata) at 1 tree; no value is taken there"),
        (
            "snow_depth",
            "raster snow_depth has no data (nodata) at 1 tree; the depth of local.snow_depth_m is taken there",
        ),
    ],
)
def test_trees_without_a_value_of_a_raster_are_noted(name: str, words: str) -> None:
    site = make_site(FOUR)
    status = np.array([0, 1, 0, 0], dtype=np.int8)
    raster = RasterValues(name=name, value=np.array([0.1, np.nan, 0.1, 0.1]), status=status)
    pressure: Any = SimpleNamespace(value=np.zeros((4, 1), np.float32), notes=(), assumptions=())
    choices: Any = SimpleNamespace(notes=(), assumptions=())
    (note,) = gather_result(site, {}, [raster], pressure, choices).notes
    assert (note.what, note.rows) == (words, (3,))


def test_repeated_ids() -> None:
    note = noted(inputs_of(FOUR, tree_id=pa.array(["a", "b", "a", None])), "tree_id_repeated")
    assert note is not None
    assert (note.count, note.rows, note.tree_ids) == (2, (2, 4), ("a", "a"))
    assert note.what == "1 tree id repeated in 2 rows: 'a'"
    assert noted(inputs_of(FOUR, tree_id=pa.array(["a", "A", None, None])), "tree_id_repeated") is None


def test_at_most_twenty_rows_are_named() -> None:
    note = noted(inputs_of([(i, 0) for i in range(50)], tree_id=pa.array(["same"] * 50)), "tree_id_repeated")
    assert note is not None and (note.count, len(note.rows), len(note.tree_ids)) == (50, 20, 20)


def test_an_id_called_none_is_an_id() -> None:
    note = noted(inputs_of(FOUR, tree_id=pa.array(["None", "NA", "None", "NA"])), "tree_id_repeated")
    assert note is not None and note.tree_ids == ("None", "NA", "None", "NA")


def test_repeated_points_count_kept_trees_only() -> None:
    xy = [(0, 0), (5, 5), (0, 0), (0, 0), (np.nan, np.nan), (np.nan, np.nan)]
    inputs = inputs_of(xy, kept=np.array([True, True, True, False, True, True]))
    note = noted(inputs, "point_repeated")
    assert note is not None and note.rows == (2, 4)
    remarks = list_inputs(inputs).trees.remarks
    assert remarks is not None and remarks[0] == ("point_repeated",) and remarks[3] == ()


@pytest.mark.parametrize(
    ("kind", "mm", "thick"),
    [("caliper_mm", 2001, True), ("dbh_mm", 1999, False), ("girth_mm", 6284, True), ("girth_mm", 6000, False)],
)
def test_stems_over_two_metres(kind: str, mm: float, thick: bool) -> None:
    found = noted(inputs_of([(0, 0)], stem_mm=np.array([float(mm)]), stem_kind=kind), "caliper_over_2_m")
    assert (found is not None) == thick


@pytest.mark.parametrize(
    ("planted", "later"),
    [
        ("2026-10-15", False),
        ("2026-10-16", True),
        ("2026-10", False),
        ("2026-11", True),
        ("2026", False),
        ("2027", True),
    ],
)
def test_planted_after_the_date(planted: str, later: bool) -> None:
    inputs = inputs_of([(0, 0)], planted=pa.array([planted]))
    inputs = replace(inputs, settings=replace(inputs.settings, date=dt.date(2026, 10, 15)))
    assert (noted(inputs, "planted_after_date") is not None) == later


def lake_at(lon: float, lat: float, tree: tuple[float, float]) -> Inputs:
    """A tree and a lake, both in degrees."""
    lake = {"water": [shapely.box(lon, lat, lon + 0.01, lat + 0.01)]}
    made = make_inputs([tree], lake, crs="EPSG:4326")
    return replace(made, trees=make_table([tree], crs="EPSG:4326"))


@pytest.mark.parametrize(
    ("tree", "words"),
    [
        ((42.3, -75.0), "exchanged"),
        ((75.0, 42.3), "minus"),
        ((-75.0, 42.3), ""),
        ((-75.9, 42.9), ""),
        ((10.0, 10.0), ""),
    ],
)
def test_exchanged_coordinates_are_a_fault_where_the_layers_show_it(tree: tuple[float, float], words: str) -> None:
    problems = list_inputs(lake_at(-75.0, 42.3, tree)).problems
    assert len(problems) == bool(words)
    if words:
        assert words in problems[0].what and problems[0].key == "trees.columns"


def test_the_line_of_180_degrees_is_no_edge() -> None:
    assert list_inputs(lake_at(-180.0, -16.5, (179.9999, -16.5))).problems == ()


def test_all_faults_are_raised_at_once() -> None:
    earlier = Problem(file="water.gpkg", what="cut off", remedy="send it again")
    inputs = replace(lake_at(-75.0, 42.3, (42.3, -75.0)), problems=(earlier,))
    with pytest.raises(InputError) as caught:
        check_inputs(inputs)
    assert caught.value.problems[0] == earlier and len(caught.value.problems) == 2
    assert check_inputs(inputs_of(FOUR)).problems == ()


def test_trees_far_from_the_rest() -> None:
    rng = np.random.default_rng(3)
    xy = np.vstack([rng.normal(0, 200, (40, 2)), [[90_000, 0]]])
    site = check_site(make_site(xy))
    (note,) = [note for note in site.notes if note.code == "tree_far"]
    assert note.rows == (42,)
    assert not [note for note in check_site(make_site(xy[:-1])).notes if note.code == "tree_far"]
    few = check_site(make_site([(0, 0), (10, 0), (20, 0), (200_000, 0)]))
    assert [note.rows for note in few.notes if note.code == "tree_far"] == [(5,)]


def test_a_system_used_outside_its_area() -> None:
    site = make_site([(0, 0)])
    table = replace(site.trees.table, crs=pyproj.CRS("EPSG:27700"))  # Great Britain
    wrong = replace(site, trees=replace(site.trees, table=table))
    notes = [note for note in check_site(wrong).notes if note.code == "outside_area_of_use"]
    assert len(notes) == 1 and "British National Grid" in notes[0].what
    assert not [note for note in check_site(site).notes if note.code == "outside_area_of_use"]
