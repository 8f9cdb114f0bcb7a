"""Answers in words: what a guard does against an agent, and both numbers of every check that decided it."""

from __future__ import annotations

from typing import Final

from riskmap.choose.fit import Answer, Check
from riskmap.choose.words import agent_words, height_words, length_words

__all__ = ["sentence"]

KIND_WORDS: Final = {"halfwrap": "half wrap", "ground": "ground measure", "line": "fence", "spray": "repellent"}


def sentence(answer: Answer, units: str = "metric") -> str:
    """Return the answer in words, with both numbers of every check that matters.

    Parameters
    ----------
    answer : Answer
        What `fit_part` worked out.
    units : {"metric", "us"}
        Units that people read.
    """
    whom = agent_words(answer.agent)
    if answer.chewed:
        return f"does not stop {whom} (chewed through)"
    short = _said(answer.short, units)
    match answer.level:
        case 0:
            return f"does not stop {whom} ({short or 'nothing about it keeps them off'})"
        case 1:
            lacking = {check.clause.measure for check in answer.short}
            held = _said(tuple(check for check in answer.checks if check.clause.measure not in lacking), units)
            if "kind" in lacking:  # of another kind than what stops them: its measures don't matter
                short = ""
            return f"only partly stops {whom} ({'; '.join(filter(None, [held, short]))})"
        case 2 if answer.leaves:
            share = f"about {100 - 100 * answer.leaves:.0f} % of the pressure of {whom}"
            return f"stops {share} ({_said(answer.checks, units)})"
        case 2:
            return f"stops {whom} at the published minimum ({_said(answer.checks, units)})"
    return f"stops {whom} ({_said(answer.checks, units)})"


def _said(checks: tuple[Check, ...], units: str) -> str:
    """Checks in words; of several on one measure only the hardest."""
    hardest: dict[str, Check] = {}
    for check in checks:
        name = check.clause.measure
        other = hardest.get(name)
        if other is None or (check.clause.sense == ">=" and float(check.needs) > float(other.needs)):
            hardest[name] = check
    return "; ".join(filter(None, (_check_said(check, units) for check in hardest.values())))


NUMBER_SAID: Final = {  # measure: what it is called, what it lacks, what is better, how its length is said
    "opening_mm": ("opening", "no mesh or wall", "or finer", length_words),
    "tight_opening_mm": ("opening", "no mesh or wall", "or finer", length_words),
    "wire_mm": ("wire", "no wire", "or thicker", length_words),
    "burial_mm": ("buried", "not in the soil", "or deeper", length_words),
    "standoff_mm": ("gap to the stem", "no gap", "or more", length_words),
    "top_mm": ("top at", "no height", "or higher", height_words),
    "tight_mm": ("tight mesh up to", "no height", "or higher", height_words),
    "ring_radius_mm": ("radius", "no ring", "or more", height_words),
    "stem_mm": ("stem", "stem not known", "or thicker", length_words),
}

HELD_SAID: Final = {
    "solid": ("no solid wall", "solid wall"),
    "stiff": ("not stiff", "stiff"),
    "repels": ("no repellent", "taste, smell or shock"),
}


def _check_said(check: Check, units: str) -> str:
    """One check in words with both numbers; empty where it goes without saying."""
    clause = check.clause
    if clause.sense == "=":
        return _words_said(check)
    if clause.sense == "on":
        return f"on in {check.has:.0f} of the {check.needs:.0f} months needed"
    name, lacking, better, say = NUMBER_SAID[clause.measure]
    if clause.measure == "opening_mm" and check.has == 0:
        return ""
    has = lacking if check.has is None else f"{name} {say(float(check.has), units)}"
    return f"{has}, {say(float(check.needs), units)} {better} needed"


def _words_said(check: Check) -> str:
    """A check of kind, mesh, wall or stiffness in words."""
    clause = check.clause
    if clause.measure in HELD_SAID:
        return HELD_SAID[clause.measure][check.holds]
    if check.holds:
        return ""
    if clause.measure == "kind":
        return f"a {KIND_WORDS.get(str(check.has), check.has)} is not what stops them"
    return f"{check.has or 'no'} mesh, {' or '.join(clause.words)} needed"
