"""The notebooks run from top to bottom, with plain Python, and carry no outputs."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

FOLDER = Path(__file__).parent.parent / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))


def code_cells(notebook: Path) -> list[dict[str, Any]]:
    """The code cells, in order."""
    return [cell for cell in json.loads(notebook.read_text(encoding="utf-8"))["cells"] if cell["cell_type"] == "code"]


def test_there_are_notebooks() -> None:
    assert {notebook.stem for notebook in NOTEBOOKS} == {"riverside_planner", "street_list"}


@pytest.mark.parametrize("notebook", NOTEBOOKS, ids=lambda notebook: notebook.stem)
def test_every_cell_runs(notebook: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(FOLDER)
    names: dict[str, Any] = {"__name__": "__main__"}
    for number, cell in enumerate(code_cells(notebook), start=1):
        exec(compile("".join(cell["source"]), f"{notebook.name} cell {number}", "exec"), names)
    if notebook.stem == "riverside_planner":
        assert names["changed"].any()
        assert names["scored"]["pressure_beaver"].is_monotonic_decreasing
        assert len(names["advice"]) == len(names["trees"]) > 200
    else:
        assert len(names["trees"]) > 2500
        assert (names["trees"]["action"] == "remove").any()


@pytest.mark.parametrize("notebook", NOTEBOOKS, ids=lambda notebook: notebook.stem)
def test_no_outputs_are_kept(notebook: Path) -> None:
    assert all(not cell["outputs"] and cell["execution_count"] is None for cell in code_cells(notebook))
