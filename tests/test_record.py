"""run.json and timings.json: the keys of the contract, sums, and the same bytes for the same run."""

from __future__ import annotations

import dataclasses
import datetime as dt
import hashlib
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from result_factory import make_result

from riskmap import deliver
from riskmap.deliver.columns import result_table
from riskmap.deliver.record import record_of, write_record
from riskmap.deliver.summary import summary_table
from riskmap.errors import MachineError
from riskmap.model import Local, ReadAs, Repair, Result, SilentWatch

KEYS = [
    *["version", "engine", "libraries", "inputs", "local", "assumptions", "not_surveyed", "any_of", "counts"],
    *["repaired", "notes", "outputs"],
]


def with_inputs(result: Result, **changes: Any) -> Result:
    """The same result over other inputs."""
    inputs = dataclasses.replace(result.site.inputs, **changes)
    return dataclasses.replace(result, site=dataclasses.replace(result.site, inputs=inputs))


def test_keys_are_those_of_the_contract(tmp_path: Path) -> None:
    (tmp_path / "map.html").write_text("<!doctype html>")
    assert write_record(make_result(), tmp_path, written=["map.html"]) == ["timings.json", "run.json"]
    record = json.loads((tmp_path / "run.json").read_text())
    assert list(record) == KEYS
    digest = hashlib.sha256(b"<!doctype html>").hexdigest()
    assert record["outputs"] == [{"file": "map.html", "bytes": 15, "sha256": digest}]


def test_counts_add_up() -> None:
    result = make_result(7)
    counts = record_of(result)["counts"]
    assert (counts["rows"], counts["scored"]) == (7, 6)
    assert counts["by_action"] == {"fit": 4, "remove": 3}
    assert counts["cost"] == round(sum(result_table(result)["cost"].to_pylist()), 2) == 49.36
    assert counts["loss_prevented"] is None  # nobody reckoned it: not zero
    assert counts["cost_low"] is counts["cost_high"] is None


def test_the_range_of_the_cost_is_that_of_the_summary() -> None:
    result = make_result(7)
    extra = {"cost_span": (result.choices.cost * 0.8, result.choices.cost * 1.7)}
    told = dataclasses.replace(result, choices=dataclasses.replace(result.choices, extra=extra))
    counts, summary = record_of(told)["counts"], summary_table(told)
    assert 0 < counts["cost_low"] < counts["cost"] < counts["cost_high"]
    for name in ("cost", "cost_low", "cost_high"):
        assert round(sum(summary[name].to_pylist()), 2) == counts[name]
    assert set(summary["currency"].to_pylist()) == {counts["currency"]}


def test_loss_prevented_is_money_a_year_of_the_guards() -> None:
    result = make_result(3)
    extra = {"loss_prevented": np.array([1.5, np.nan, 2.254])}
    told = dataclasses.replace(result, choices=dataclasses.replace(result.choices, extra=extra))
    assert record_of(told)["counts"]["loss_prevented"] == 3.75


def test_a_role_nobody_gave_is_named_once_and_is_no_note() -> None:
    record = record_of(make_result())
    assert record["not_surveyed"] == ["driveway", "road", "deer_habitat", "rabbit_cover", "rough_grass", "spray_area"]
    assert [note["code"] for note in record["notes"]] == ["row_without_place"]


def test_any_of_names_the_agents_that_were_scored() -> None:
    result = make_result()
    result.pressure.value[:, 1] = np.nan
    assert record_of(result)["any_of"] == ["beaver"]


def test_local_facts_say_where_they_come_from() -> None:
    result = make_result()
    local = Local(snow_depth_m=0.5, deer=("roe",), given=frozenset({"snow_depth_m", "deer"}))
    settings = dataclasses.replace(result.site.inputs.settings, local=local)
    facts = record_of(with_inputs(result, settings=settings))["local"]
    assert facts["snow_depth_m"] == {"value": 0.5, "from": "given"}
    assert facts["beaver"] == {"value": "possible", "from": "default"}
    assert "given" not in facts


def test_inputs_say_what_they_were_read_as_and_which_datum_step_they_took(tmp_path: Path) -> None:
    read_as = ReadAs(
        file="trees.csv",
        path=Path("/nowhere/trees.csv"),
        sha256="ab",
        rows=4,
        facts={"kind": "csv", "columns": {"x": "East"}, "date": dt.date(2026, 1, 2), "kept": np.int64(3)},
    )
    repair = Repair(
        file="w.gpkg", layer="w", feature=3, what="repaired", why="bow tie", area_before=2.0, area_after=1.0
    )
    result = with_inputs(make_result(), read_as=(read_as,), repaired=(repair,))
    step = {"file": "trees.csv", "from": "NAD27", "to": "WGS 84", "operation": "grid", "accuracy_m": 5.0}
    result = dataclasses.replace(result, site=dataclasses.replace(result.site, datum_steps=(step,)))
    write_record(result, tmp_path)
    record = json.loads((tmp_path / "run.json").read_text())
    assert record["inputs"] == [
        {
            "file": "trees.csv",
            "sha256": "ab",
            "rows": 4,
            "read_as": {
                "kind": "csv",
                "columns": {"x": "East"},
                "date": "2026-01-02",
                "kept": 3,
                "datum_step": {"from": "NAD27", "to": "WGS 84", "operation": "grid", "accuracy_m": 5.0},
            },
        }
    ]
    assert record["repaired"][0] == dataclasses.asdict(repair)


def test_same_run_same_bytes_and_timings_apart(tmp_path: Path) -> None:
    for name, spent in (("one", 1.0), ("two", 2.0)):
        (tmp_path / name).mkdir()
        write_record(make_result(), tmp_path / name, timings={"read": spent})
    assert (tmp_path / "one" / "run.json").read_bytes() == (tmp_path / "two" / "run.json").read_bytes()
    assert json.loads((tmp_path / "two" / "timings.json").read_text()) == {"read": 2.0}


def test_nan_is_never_written(tmp_path: Path) -> None:
    repair = Repair(file="w", layer="w", feature=1, what="repaired", why="x", area_before=float("nan"))
    with pytest.raises(ValueError, match="not JSON compliant"):
        write_record(with_inputs(make_result(), repaired=(repair,)), tmp_path)


def test_only_writes_what_is_named_and_the_record_last(tmp_path: Path) -> None:
    written = deliver.write_result(make_result(), tmp_path, only=["summary", "csv"], watch=SilentWatch())
    assert written == ["trees.csv", "summary.csv", "timings.json", "run.json"]
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(written)


def test_every_deliverable_has_a_file_and_a_function() -> None:
    files = [entry.file for entry in deliver.DELIVERABLES.values()]
    assert len(set(files)) == len(files)
    for entry in deliver.DELIVERABLES.values():
        assert callable(deliver._function(entry))


@pytest.mark.parametrize("name", ["csv", "parquet", "gpkg", "summary"])
def test_a_full_disk_names_the_file(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    resource = pytest.importorskip("resource")
    file = deliver.DELIVERABLES[name].file
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (64, hard))
    try:
        with pytest.raises(MachineError, match=rf"^{file} could not be written"):
            deliver.write_result(make_result(), tmp_path, only=[name], watch=SilentWatch())
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def test_a_fault_of_ours_is_not_taken_for_a_full_disk(tmp_path: Path) -> None:
    result = make_result()
    broken = dataclasses.replace(result, choices=dataclasses.replace(result.choices, cost=None))
    with pytest.raises(TypeError):
        deliver.write_result(broken, tmp_path, only=["summary"], watch=SilentWatch())
