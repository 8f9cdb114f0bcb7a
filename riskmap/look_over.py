"""What ``riskmap check`` does: every fault and note of a site file at once, and what was read as what."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import pyarrow.compute as pc

from riskmap import rules, tables
from riskmap.check import list_inputs
from riskmap.errors import InputError, Problem
from riskmap.model import Assumption, Inputs, Note, ReadAs, Repair, Result, Settings, Watch
from riskmap.project import near_trees
from riskmap.read import read_inputs, read_settings
from riskmap.run import recommend_guards

__all__ = ["Findings", "look_over"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """Everything that can be said of a site file and what it names; without problems, a run may go on."""

    problems: tuple[Problem, ...]
    notes: tuple[Note, ...] = ()
    assumptions: tuple[Assumption, ...] = ()
    read_as: tuple[ReadAs, ...] = ()
    repaired: tuple[Repair, ...] = ()
    not_scored: Mapping[str, int] = field(default_factory=dict)  # why -> trees
    not_surveyed: Mapping[str, tuple[str, ...]] = field(default_factory=dict)  # role -> agents it would be scored from
    nowhere: tuple[str, ...] = ()  # roles that the user said are not there


def look_over(site_file: Path, *, watch: Watch) -> Findings:
    """Do all of a run but the writing; raise nothing for what is wrong with the inputs.

    Parameters
    ----------
    site_file : Path
        The site file.
    watch : Watch
        Told how far the work has come.

    Returns
    -------
    Findings
        Every fault; where there is none, every note too.
    """
    try:
        with watch.station("read"):
            inputs = read_inputs(read_settings(site_file), near=near_trees, watch=watch)
    except InputError as error:
        return Findings(problems=error.problems)
    listed = list_inputs(inputs)
    if listed.problems:
        return _of_inputs(listed, listed.problems)
    try:
        return _of_result(recommend_guards(inputs, watch=watch))
    except InputError as error:
        return _of_inputs(listed, error.problems)


def _of_inputs(inputs: Inputs, problems: tuple[Problem, ...]) -> Findings:
    """What reading found."""
    local = inputs.settings.local
    named = {*(source.role for source in inputs.settings.layers), *local.everywhere, *local.nowhere}
    return Findings(
        problems=problems,
        notes=tuple(dict.fromkeys(inputs.notes)),
        assumptions=inputs.assumptions,
        read_as=inputs.read_as,
        repaired=inputs.repaired,
        not_surveyed=_not_surveyed(named, inputs.settings),
        nowhere=local.nowhere,
    )


def _of_result(result: Result) -> Findings:
    """What all stations found."""
    inputs = result.site.inputs
    reasons = pc.value_counts(result.pressure.not_scored.drop_null()).to_pylist()
    return Findings(
        problems=(),
        notes=result.notes,
        assumptions=result.assumptions,
        read_as=inputs.read_as,
        repaired=inputs.repaired,
        not_scored={str(reason["values"]): int(reason["counts"]) for reason in reasons},
        not_surveyed=_not_surveyed(result.site.surveyed, inputs.settings),
        nowhere=inputs.settings.local.nowhere,
    )


def _not_surveyed(surveyed: Collection[str], settings: Settings) -> dict[str, tuple[str, ...]]:
    """Roles that nobody surveyed, each with the agents of this run that look for it."""
    on = rules.agents_on(settings)
    wanted = {role.key: tuple(agent for agent in role.agents if agent in on) for role in tables.roles().values()}
    return {role: agents for role, agents in wanted.items() if agents and role not in surveyed}
