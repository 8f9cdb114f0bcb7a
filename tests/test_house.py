"""The rules of the house that a test can hold: one straight page, one gate, light doors, signed numbers."""

from __future__ import annotations

import ast
import importlib
import pkgutil
import re
import subprocess
import sys
import tomllib
import types
from collections.abc import Iterator
from pathlib import Path

import pytest

import riskmap
from riskmap import cli, deliver, show, tables
from riskmap.measure import engine_name
from riskmap.model import Figure

ROOT = Path(riskmap.__file__).parent
FILES = sorted(ROOT.rglob("*.py"))
MODULES = sorted(info.name for info in pkgutil.walk_packages([str(ROOT)], "riskmap."))
HEAVY = ["numpy", "pandas", "geopandas", "shapely", "rasterio", "pyogrio", "pyproj", "pyarrow", "folium", "matplotlib"]
HEAVY += ["scipy", "openpyxl", "jinja2", "requests"]


def places(pattern: str) -> Iterator[str]:
    """Name every file of ours, from the package on, whose code matches."""
    for file in FILES:
        if re.search(pattern, file.read_text(encoding="utf-8")):
            yield str(file.relative_to(ROOT))


def test_run_is_straight() -> None:
    tree = ast.parse((ROOT / "run.py").read_text(encoding="utf-8"))
    bends = (ast.If, ast.IfExp, ast.For, ast.While, ast.Try, ast.Match, ast.comprehension, ast.BoolOp, ast.Lambda)
    assert [node.lineno for node in ast.walk(tree) if isinstance(node, bends) and hasattr(node, "lineno")] == []
    assert not any(isinstance(node, ast.comprehension) for node in ast.walk(tree))


def test_one_gate_projects() -> None:
    outside = [place for place in places(r"\bto_crs\(|\bTransformer\b|\btransform_geom\b") if place[:8] != "project/"]
    assert outside == []


def test_one_module_imports_folium() -> None:
    assert list(places(r"(?m)^\s*(import|from) (folium|branca)\b")) == ["deliver/html_map/page.py"]


def test_nothing_reaches_for_the_network() -> None:
    assert list(places(r"(?m)^\s*(import|from) (requests|urllib\.request|urllib3|http|ftplib|socket|ssl)\b")) == []


def test_nothing_runs_text() -> None:
    assert list(places(r"(?<![\w.])(eval|exec)\(|\bos\.system\b|\bshell=True")) == []
    assert list(places(r"\bpickle\b")) == ["in_parts/workshop.py"]  # a folder of the user's alone, or it is refused


def test_only_the_terminal_talks() -> None:
    talking = {
        file.name
        for file in FILES
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8")))
        if (isinstance(node, ast.Name) and node.id == "print")
        or (isinstance(node, ast.Attribute) and node.attr in ("stdout", "stderr"))
    }
    assert talking == {"cli.py", "terminal.py"}
    assert list(places(r"\bwarnings\.warn\b")) == []


def test_columns_not_rows() -> None:
    assert list(places(r"\biter(rows|tuples)\b")) == []


def test_no_grab_bag() -> None:
    assert [file.name for file in FILES if file.stem in ("utils", "helpers", "common", "misc")] == []


def offered(module: types.ModuleType) -> set[str]:
    """Public functions and classes that a module itself defines."""
    return {
        name
        for name, value in vars(module).items()
        if not name.startswith("_")
        and isinstance(value, types.FunctionType | type)
        and getattr(value, "__module__", "") == module.__name__
    }


@pytest.mark.parametrize("name", ["riskmap", *MODULES])
def test_public_names_are_real_and_sorted(name: str) -> None:
    module = importlib.import_module(name)
    listed = getattr(module, "__all__", [])
    assert [word for word in listed if not hasattr(module, word)] == []
    assert len(set(listed)) == len(listed)
    file = Path(str(module.__file__))
    if file.name == "__init__.py" and listed:  # a station offers what it lists, and nothing else
        assert offered(module) <= set(listed)


def test_version_is_said_once_alike() -> None:
    said = tomllib.loads((ROOT.parent / "pyproject.toml").read_text(encoding="utf-8"))["project"]["version"]
    assert said == riskmap.__version__


def test_lists_kept_light_agree_with_what_they_stand_for() -> None:
    assert show.TOPICS == cli.TOPICS
    assert engine_name() == cli._engine()
    for entry in deliver.DELIVERABLES.values():
        assert entry.function in importlib.import_module(entry.module).__all__


@pytest.mark.parametrize(
    "words",
    [
        "import riskmap",
        "main(['--help'])",
        "main(['--version'])",
        "main(['run', '--help'])",
        "main(['rnu'])",
        "main([])",
    ],
)
def test_light_doors_load_nothing_heavy(words: str) -> None:
    code = (
        f"import sys, contextlib, io\nfrom riskmap.cli import main\n"
        f"with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):\n    {words}\n"
        f"print([name for name in {HEAVY} if name in sys.modules])"
    )
    if words == "import riskmap":
        code = f"import sys, riskmap\nprint([name for name in {HEAVY} if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_stations_do_not_hide_the_librarys_functions() -> None:
    code = (
        "import riskmap, riskmap.run, riskmap.score, riskmap.check\n"
        "print(*(type(getattr(riskmap, name)).__name__ for name in riskmap.__all__ if name != '__version__'))\n"
        "from riskmap.score import score_pressure"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["function"] * (len(riskmap.__all__) - 1)


@pytest.mark.parametrize("cells", ["fitted,", "fitted,nobody_2020", "guessed,judgement", ",judgement"])
def test_an_uncited_figure_does_not_load(cells: str) -> None:
    text = f"agent,figure,low,central,high,unit,grade,source,where,note\nbeaver,sigma,10,30,65,m,{cells},,\n"
    with pytest.raises(ValueError, match=r"figures\.csv, line 2: (grade|source)"):
        tables.load_rows("figures", Figure, text=text)


def test_every_number_of_the_tables_is_signed() -> None:
    rows = [row for by_name in tables.figure_rows().values() for row in by_name.values()]
    rows += [*tables.guards().values(), *tables.demands(), *tables.seasons(), *tables.species().values()]
    assert all(row.source and row.grade in tables.GRADES for row in rows)
