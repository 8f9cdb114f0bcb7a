"""What the printed sheet says below the map: the whole site's trees, guards, money and work."""

from __future__ import annotations

from typing import Final

from riskmap.draw.classes import ACTION_LABELS, guard_labels
from riskmap.draw.money import cost_words, prevented_words
from riskmap.model import Result, Settings

__all__ = ["first_paper", "sheet_lines"]

MOST_KINDS: Final = 14  # of guards that are named; the sheet must keep room for the map


def sheet_lines(result: Result) -> list[tuple[str, str]]:
    """Return head and text of each line: what is to be done, guards to fit by kind, cost and hours."""
    lines = [("Whole site", _work(result)), ("Guards to fit", _guards(result))]
    lines.append(("Cost", " ".join(filter(None, [cost_words(result), *prevented_words(result)]))))
    return [(head, text) for head, text in lines if text]


def first_paper(settings: Settings) -> str:
    """Return the paper the print sheet starts with, as a style sheet names it."""
    name = settings.map.paper or ("letter" if settings.units == "us" else "a4")
    return f"{'A4' if name.lower() == 'a4' else 'letter'} landscape"


def _work(result: Result) -> str:
    """How many trees, and how many of them for each action."""
    counts: dict[str, int] = {}
    for line in result.tally.lines:
        counts[line.action] = counts.get(line.action, 0) + line.trees
    each = [f"{label.lower()} {counts[action]:,}" for action, label in ACTION_LABELS.items() if action in counts]
    n = result.tally.rows
    return f"{n:,} {'tree' if n == 1 else 'trees'}{': ' if each else ''}{', '.join(each)}."


def _guards(result: Result) -> str:
    """How many trees get each kind of guard, most first; two guards at one tree count once each."""
    labels = guard_labels(result)
    counts: dict[str, int] = {}
    for line in result.tally.lines:
        if line.action in ("fit", "swap"):
            for key in filter(None, (part.strip() for part in line.keys.split(";"))):
                counts[key] = counts.get(key, 0) + line.trees
    ranked = sorted(counts, key=lambda key: (-counts[key], key))
    named = [f"{labels.get(key, key)} {counts[key]:,}" for key in ranked[:MOST_KINDS]]
    rest = sum(counts[key] for key in ranked[MOST_KINDS:])
    kinds = len(ranked) - MOST_KINDS
    more = f"; {kinds} other {'kind' if kinds == 1 else 'kinds'} {rest:,}" if rest else ""
    return f"{'; '.join(named)}{more}." if named else ""
