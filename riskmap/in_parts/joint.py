"""What a run in parts can't do: wishes that weigh every tree against every other."""

from __future__ import annotations

import math
from collections.abc import Iterator

from riskmap.errors import InputError, Problem
from riskmap.model import Inputs

__all__ = ["refuse_joint"]


def refuse_joint(inputs: Inputs, most: int) -> None:
    """Refuse wishes that a run in parts can't keep; a budget of money it can.

    Parameters
    ----------
    inputs : Inputs
        Settings and guard lists.
    most : int
        Trees that are done at once.

    Raises
    ------
    InputError
        With every such wish.
    """
    file = inputs.settings.file.name
    problems = [
        Problem(
            file=file,
            what=f"{what} weighs every tree against every other, and more than {most:,} trees are done part by part",
            remedy="take it out, or run ward by ward (trees.keep)",
            key=key,
        )
        for what, key in _wishes(inputs)
    ]
    if problems:
        raise InputError(problems)


def _wishes(inputs: Inputs) -> Iterator[tuple[str, str]]:
    """What is asked for, and its key."""
    wants = inputs.settings.choice
    if math.isfinite(wants.hours):
        yield "a limit of hours", "choice.hours"
    if wants.most_kinds is not None:
        yield "a limit of kinds of guard", "choice.most_kinds"
    if wants.alive_per_ha is not None:
        yield "a number of trees alive", "choice.alive_per_ha"
    if wants.group_least > 0:
        yield "money set aside for every group", "choice.group_least"
    if inputs.guard_lists.stock:
        yield "stock on hand", "guards.stock"
