"""Which column is what: names people use, names that only look like ours, units, and 157 real inventories."""

from __future__ import annotations

import inventory_headers
import pytest

from riskmap.read.headers import TREE_COLUMNS, header_unit, match_header, recognise, stem_place


@pytest.mark.parametrize(
    ("header", "column"),
    [
        ("Tree ID", "tree_id"),
        ("Tag No.", "tree_id"),
        ("OBJECTID", "tree_id"),
        ("Long.", "x"),
        ("Easting", "x"),
        ("POINT_X", "x"),
        (" LATITUDE ", "y"),
        ("northing (m)", "y"),
        ("Latin name", "species"),
        ("scientificName", "species"),
        ("Common_Name", "common"),
        ("GENUS", "genus"),
        ("DBH (in)", "caliper"),
        ("Trunk Diam.", "caliper"),
        ("Stem girth cm", "caliper"),
        ("Height_ft", "height"),
        ("Date planted", "planted"),
        ("PlantingYear", "planted"),
        ("Ward", "group"),
        ("Planting block", "group"),
        ("GPS accuracy (m)", "accuracy"),
        ("Tree guard", "guard_now"),
        ("Growing Space", "surface"),
        ("GROWING_SITE", "surface"),
        ("Stem mm", "caliper"),
        ("Guarded since", "guard_since"),
        ("wkt_geom", "place"),
    ],
)
def test_names_that_people_use(header: str, column: str) -> None:
    assert match_header(header, column) is not None


@pytest.mark.parametrize(
    "header",
    [
        *(
            "Crown diameter",
            "DBH date",
            "Target DBH",
            "Pot diameter",
            "Tree pit width",
            "Diameter change",
            "Guard height",
        ),
        *(
            "Crown height",
            "Wire height",
            "Mature height",
            "Branch height",
            "Height date",
            "Plant type",
            "Planting site",
        ),
        *(
            "Species code",
            "Family",
            "Street name",
            "Condition",
            "Risk rating",
            "Status",
            "Inspection date",
            "Inventory_Date",
        ),
        *("Address", "Comments", "Year", "Owner", "Canopy", "Health", "Date"),
    ],
)
def test_names_that_only_look_like_ours(header: str) -> None:
    found = recognise([header], given={})
    assert not set(found) & {"caliper", "height", "planted", "species", "common", "x", "y", "tree_id"}, found


@pytest.mark.parametrize(
    ("header", "unit"),
    [
        ("dbh_in", "in"),
        ("DBHIn", "in"),
        ("diameterin", "in"),
        ("Diameter in Inches", "in"),
        ("Diameter in cm", "cm"),
        ("DBH (cm)", "cm"),
        ('DBH (")', "in"),
        ("Height_ft", "ft"),
        ("HeightFt", "ft"),
        ("height in feet", "ft"),
        ("Height [m]", "m"),
        ("stem mm", "mm"),
        ("girth_cm", "cm"),
        ("DBH", ""),
        ("Height", ""),
        ("Diameter", ""),
        ("Stem cm or mm", ""),
        ("Stem diameter main", ""),
    ],
)
def test_units_in_headers(header: str, unit: str) -> None:
    assert header_unit(header) == unit


def test_where_stems_were_measured() -> None:
    """Diameter at breast height is 1.37 m, caliper 150 mm above the soil: common practice, no source."""
    places = {"DBH": "breast", "diameter at breast height": "breast", "Caliper": "nursery", "Girth at 1 m": "girth_1m"}
    assert {header: stem_place(header) for header in places} == places


def test_coordinates_come_as_a_pair_of_one_kind() -> None:
    headers = ["Easting", "Latitude", "Northing", "Longitude"]
    both = recognise(headers, given={})
    assert (both["x"].text, both["y"].text) == ("Longitude", "Latitude")
    metres = recognise(headers, given={}, projected=True)
    assert (metres["x"].text, metres["y"].text) == ("Easting", "Northing")
    assert not {"x", "y"} & set(recognise(["Easting", "Latitude"], given={}))


def test_a_header_is_taken_once_and_the_user_comes_first() -> None:
    found = recognise(["Species", "Name", "id"], given={"group": 0})
    assert found["group"].index == 0 and "species" not in found
    assert len({header.index for header in found.values()}) == len(found)


def test_rivals_are_remembered() -> None:
    assert recognise(["OBJECTID", "TreeID"], given={})["tree_id"].rivals == ("OBJECTID",)


def test_every_column_can_be_recognised() -> None:
    for column in TREE_COLUMNS:
        assert match_header(column, column) is not None or column in ("place",)


@pytest.mark.skipif(not inventory_headers.FILE.exists(), reason="the real inventories' headers are not here")
def test_headers_of_real_inventories() -> None:
    """At least 95 of 100 right where the header decides, and never a unit that the header does not name."""
    for by_header, by_inventory in inventory_headers.shares().values():
        assert by_header >= 0.95 and by_inventory >= 0.95
    assert inventory_headers.wrong_units() == []
