"""site.toml: every fault at once, the key that answers, units as pairs, defaults from the one table of keys."""

from __future__ import annotations

import dataclasses
import datetime as dt
import tomllib
from pathlib import Path
from typing import Any

import pytest

from riskmap.errors import InputError
from riskmap.model import (
    ChoiceSettings,
    GuardSettings,
    LayerSource,
    Local,
    MapSettings,
    MeasureSettings,
    RasterSource,
    Settings,
    TreeSource,
)
from riskmap.read import read_settings, site_schema
from riskmap.tables import keys as all_keys

HEAD = "date = 2026-10-15\n"
TREES = '[trees]\nfile = "trees.csv"\n'


def read(folder: Path, text: str | bytes, name: str = "site.toml") -> Settings:
    """Write a site file and read it."""
    path = folder / name
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return read_settings(path)


def faults(folder: Path, text: str | bytes) -> list[str]:
    """The faults of a site file, a line each."""
    with pytest.raises(InputError) as caught:
        read(folder, text)
    return [problem.line() for problem in caught.value.problems]


def test_the_least_that_will_do(tmp_path: Path) -> None:
    settings = read(tmp_path, HEAD + TREES)
    assert settings.date == dt.date(2026, 10, 15)
    assert settings.title == "site"
    assert settings.local == Local()
    assert settings.resolve("trees.csv") == tmp_path / "trees.csv"


def test_the_example_of_the_design_is_read(tmp_path: Path) -> None:
    settings = read(
        tmp_path,
        """
title = "Alder Bend riverside planting"
date = 2026-10-15
units = "metric"
region = "north_america"
crs = "EPSG:26918"
log = "log.csv"
[trees]
file = "trees.csv"
crs = "EPSG:4326"
columns = { tree_id = "Tag", x = "East", y = "North", species = "Latin name", caliper = "Stem", planted = "Planted" }
units = { caliper = "in" }
caliper_at = "nursery"
keep = { Kind = ["tree"], Ward = 6 }
accuracy_m = 3
missing_size = "look"
[[layers]]
role = "water"
file = "layers.gpkg"
layer = "water"
keep = { Class = ["pond", "stream"] }
width_m = 6
minus = ["driveway"]
covers = "survey_area.gpkg"
[[layers]]
role = "driveway"
file = "drives.gpkg"
width_m = "Width"
cleared_by = "two_stage"
[rasters.snow_depth]
file = "snow.tif"
unit = "cm"
[local]
snow_depth_m = 0.3
deer_per_km2 = 12
deer = ["white_tailed"]
everywhere = ["rough_grass"]
nowhere = ["spray_area"]
wind_from_deg = 270
[agents.beaver]
sigma_m = 40
[guards]
labour_per_hour = 28
currency = "USD"
[choice]
policy = "stop_all"
floor = "some"
budget = 12000
""",
    )
    assert settings.trees.keep == {"Kind": ("tree",), "Ward": ("6",)}
    assert [layer.number for layer in settings.layers] == [1, 2]
    assert settings.layers[0].width_m == 6.0 and settings.layers[1].width_m == "Width"
    assert settings.rasters == (RasterSource(name="snow_depth", file="snow.tif", unit="cm"),)
    assert settings.overrides == {"beaver": {"sigma_m": 40.0}}
    assert settings.local.given == {"snow_depth_m", "deer_per_km2", "deer", "everywhere", "nowhere", "wind_from_deg"}
    assert settings.choice.budget == 12000


def test_a_key_that_says_nothing_of_its_raster_is_a_fault(tmp_path: Path) -> None:
    rasters = "".join(
        f'[rasters.{name}]\nfile = "a.tif"\nunit = "m"\nhabitat = [1]\n' for name in ("elevation", "land_cover")
    )
    lines = faults(tmp_path, HEAD + TREES + rasters)
    assert len(lines) == 2
    assert "elevation has no habitat: its cells are numbers; take the line out (rasters.elevation.habitat)" in lines[0]
    assert "land_cover has no unit: its cells are classes; take the line out (rasters.land_cover.unit)" in lines[1]


def test_every_fault_is_listed_at_once(tmp_path: Path) -> None:
    lines = faults(
        tmp_path,
        """
titel = "x"
snow_depth_m = 2
[trees]
fil = "a.csv"
columns = { treeid = "x", species = 3 }
units = { caliper = "inch" }
[[layers]]
role = "watr"
file = "https://example.org/a"
[local]
beaver = 1
deer = ["white"]
voles = "rizing"
rabbits_per_ha = -1
""",
    )
    wanted = {
        "(titel)": "did you mean 'title'?",
        "(snow_depth_m)": "belongs under [local]",
        "(trees.fil)": "did you mean 'file'?",
        "(trees.file)": "missing",
        "(trees.columns.treeid)": "did you mean 'tree_id'?",
        "(trees.columns.species)": "'3' is no header",
        "(trees.units.caliper)": "did you mean 'in'?",
        "(layers[1].role)": "did you mean 'water'?",
        "(layers[1].file)": "is an address, not a local file",
        "(local.beaver)": "'1' is no text",
        "(local.deer)": "Known: white_tailed",
        "(local.voles)": "did you mean 'rising'?",
        "(local.rabbits_per_ha)": "write a number from 0 to 1000 per ha",
        "(date)": "'date' is missing",
    }
    assert len(lines) == len(wanted)
    for key, words in wanted.items():
        (line,) = [line for line in lines if line.endswith(key)]
        assert words in line and line.startswith("site.toml: ")


@pytest.mark.parametrize(
    ("one", "other", "metric", "value"),
    [
        ("snow_depth_in = 12", "snow_depth_m = 1", "snow_depth_m", 0.3048),  # exact: 1 in = 25.4 mm
        ("deer_per_mi2 = 10", "deer_per_km2 = 1", "deer_per_km2", 10 / 2.589988110336),  # exact: 1 mi = 1609.344 m
        ("rabbits_per_acre = 1", "rabbits_per_ha = 1", "rabbits_per_ha", 1 / 0.40468564224),  # exact: 43,560 sq ft
        ("mulch_radius_ft = 2", "mulch_radius_m = 1", "mulch_radius_m", 0.6096),
    ],
)
def test_keys_in_two_units(tmp_path: Path, one: str, other: str, metric: str, value: float) -> None:
    settings = read(tmp_path, f"{HEAD}{TREES}[local]\n{one}\n")
    assert getattr(settings.local, metric) == pytest.approx(value, rel=1e-12)
    assert settings.local.given == {metric}
    (line,) = faults(tmp_path, f"{HEAD}{TREES}[local]\n{other}\n{one}\n")
    assert "say the same thing in two units; give one of them" in line


def test_included_files_come_first_and_the_site_file_wins(tmp_path: Path) -> None:
    (tmp_path / "learned.toml").write_text(
        "[local]\nsnow_depth_m = 1\nvoles = 'peak'\n[agents.beaver]\nsigma_m = 20\nd_max_m = 80\n"
    )
    text = f"include = ['learned.toml']\n{HEAD}{TREES}[local]\nsnow_depth_in = 10\n[agents.beaver]\nsigma_m = 40\n"
    settings = read(tmp_path, text)
    assert settings.local.snow_depth_m == pytest.approx(0.254)
    assert settings.local.voles == "peak"
    assert settings.overrides["beaver"] == {"sigma_m": 40.0, "d_max_m": 80.0}


@pytest.mark.parametrize("inside", ["title = 'x'", "[trees]\nfile = '/etc/passwd'", "include = ['other.toml']"])
def test_included_files_hold_figures_only(tmp_path: Path, inside: str) -> None:
    (tmp_path / "learned.toml").write_text(inside)
    (line,) = faults(tmp_path, f"include = ['learned.toml']\n{HEAD}{TREES}")
    assert line.startswith("learned.toml: ") and "may not be included" in line


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[agents.bever]\nsigma_m = 1", "'bever' is no agent; did you mean 'beaver'?"),
        ("[agents.beaver]\nsigm_m = 1", "'sigm_m' is no figure of beaver; did you mean 'sigma_m'?"),
        ("[agents.beaver]\nsigma_m = 'x'", "'x' is no number of more than 0"),
        ("[agents.beaver]\nsigma_m = nan", "'nan' is no number of more than 0"),
        ("[agents]\non = ['hair']", "'hair' is not known; did you mean 'hare'?"),
        ("[guards]\nnever = ['paint']", "'paint' is not known"),
        ("[rasters.snow]\nfile = 's.tif'", "'snow' is no raster we know"),
        ("[layers]\nrole = 'water'", "write [[layers]] with two brackets"),
        ("[[layers]]\nrole = 'lawn'\nfile = 'a'\ncleared_by = 'shovel'", "no snow is cleared on lawn"),
        (
            "[local]\nnowhere = ['water']\neverywhere = ['water']",
            "water is said to be nowhere, and everywhere gives it",
        ),
        ("[[layers]]\nrole = 'water'\nfile = 'w'\n[local]\nnowhere = ['water']", "nowhere, and layer w gives it"),
        ("[choice]\nbudget = inf", "'inf' is no number (money)"),
        ("[choice]\nbudget = -1", "-1 is out of range; write a number from 0 to 1000000000000000 (choice.budget)"),
        (f"[choice]\nbudget = {'9' * 400}", "…' is no number (money)"),
        (f"[agents.beaver]\nsigma_m = {'9' * 400}", "…' is no number of more than 0"),
        ("[choice]\nfloor = 'none'", "'none' is not known"),
    ],
)
def test_faults_of_single_keys(tmp_path: Path, text: str, words: str) -> None:
    (line,) = faults(tmp_path, f"{HEAD}{TREES}{text}\n")
    assert words in line


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('date = 2026-10-15\n[trees]\nfile = "C:\\data.csv"', "row 3: this can't be read as TOML"),
        ('date = 2026-10-15\n[trees]\nfile = "C:\\data.csv"', "write folders with / in place of \\"),
        ('date = 2026-10-15\n[trees]\nfile = "C:\\trees.csv"', "'C:\\trees.csv' holds a control character"),
        ("date = \n", "row 1: this can't be read as TOML"),
        ("title = 'Ch\xeane'".encode("latin-1"), "save the file with the encoding UTF-8"),
    ],
)
def test_text_that_is_no_toml(tmp_path: Path, text: str | bytes, words: str) -> None:
    (line,) = faults(tmp_path, text)
    assert words in line


def test_byte_order_mark_and_windows_lines_are_fine(tmp_path: Path) -> None:
    assert read(tmp_path, b"\xef\xbb\xbf" + (HEAD + TREES).replace("\n", "\r\n").encode()).trees.file == "trees.csv"


def test_a_site_file_that_is_not_there(tmp_path: Path) -> None:
    (tmp_path / "site.toml").touch()
    with pytest.raises(InputError, match=r"sitte.toml: not found; did you mean 'site.toml'"):
        read_settings(tmp_path / "sitte.toml")
    with pytest.raises(InputError, match="this is no file"):
        read_settings(tmp_path)


@pytest.mark.parametrize(
    ("section", "noun"),
    [
        ("", Settings),
        ("trees", TreeSource),
        ("layers", LayerSource),
        ("rasters", RasterSource),
        ("local", Local),
        ("guards", GuardSettings),
        ("choice", ChoiceSettings),
        ("map", MapSettings),
        ("measure", MeasureSettings),
    ],
)
def test_every_key_has_a_field_and_its_default(section: str, noun: Any) -> None:
    """The table of keys and the nouns can't drift apart."""
    fields = {field.name: field for field in dataclasses.fields(noun)}
    for row in all_keys():
        if row.section != section or row.sets:
            continue
        assert row.key in fields, f"{section}.{row.key}"
        default = fields[row.key].default
        if row.default and isinstance(default, bool | int | float) and default not in (float("inf"), None):
            assert str(default).lower() == row.default or float(row.default) == default


def test_schema_holds_every_key() -> None:
    schema = site_schema()
    for row in all_keys():
        place = schema
        if row.section == "layers":
            place = schema["properties"]["layers"]["items"]
        elif row.section == "rasters":
            place = schema["properties"]["rasters"]["additionalProperties"]
        elif row.section:
            place = schema["properties"][row.section]
        assert row.key in place["properties"]
        assert (row.key in place["required"]) == row.required


def test_toml_is_read_the_same_with_quoted_dates(tmp_path: Path) -> None:
    assert read(tmp_path, 'date = "2026-10-15"\n' + TREES).date == tomllib.loads(HEAD)["date"]


@pytest.mark.parametrize(
    ("line", "remedy"),
    [
        ("date = 10/15/2026", "write days year first, such as 2026-10-15"),
        ("title = “Mill Meadow”", "straight quotes"),
        ("choice.budget = 12,000", "a plain number, such as 12000"),
        ("choice.budget = $12000", "a plain number, such as 12000"),
        ("choice.budget = 12000 USD", "a plain number, such as 12000"),
        ("trees.file = planting_plan.csv", "put texts and file names in quotes"),
        ('trees.columns = { tree_id = "Plant No",\n x = "Long" }', "on one line"),
        ("id,lon,lat,species", "is this the site file"),
        (r'trees.file = "C:\Users\me\trees.csv"', "folders with /"),
        ("local.mulch_ring = Yes  # there is", "write true or false"),
        ('title = "Mill Meadow', "close the quote"),
        ("title = Miller's Meadow", "put texts and file names in quotes"),
        ("date = 2026-13-01", "a day that there is"),
        ("choice.budget = 12.000,50", "a plain number, such as 12000"),
        ('trees.columns = { x = "Long", }', "last comma"),
        ("title = 'a' 'b'", 'look at quotes, brackets and "="'),
    ],
)
def test_slips_of_people_who_never_wrote_toml(line: str, remedy: str, tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text(f"{line}\n", encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_settings(tmp_path / "site.toml")
    (problem,) = caught.value.problems
    assert remedy in problem.remedy and problem.row == 1


@pytest.mark.parametrize(
    "lines",
    [
        'title = "a"\ntitle = "b"\n',
        '[local]\nbeaver = "none"\n[local]\n',
        'trees.columns.x = "Long"\ntrees.columns = { y = "Lat" }\n',
        'trees.columns = { y = "Lat" }\ntrees.columns.x = "Long"\n',
        '[trees]\nfile = "t.csv"\n[[trees]]\n',
    ],
)
def test_a_key_given_twice_is_said_so(lines: str, tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text(lines, encoding="utf-8")
    with pytest.raises(InputError, match="stands further up already; keep one of the two"):
        read_settings(tmp_path / "site.toml")


def test_a_data_file_in_place_of_the_site_file(tmp_path: Path) -> None:
    header = ",".join(f"column {n}" for n in range(60))
    for name, data in {
        "trees.csv": "id,Côté".encode("cp1252"),
        "wide.csv": header.encode(),
        "lawn.geojson": b'{"type": "FeatureCollection", "features": []}',
    }.items():
        (tmp_path / name).write_bytes(data)
        with pytest.raises(InputError, match=r"name the site file, such as site\.toml, not a data file"):
            read_settings(tmp_path / name)
