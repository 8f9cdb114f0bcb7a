"""Which key entry each tree belongs to: by recommended guard, or by what is to be done."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from riskmap import tables
from riskmap.draw.palette import ACTION_SYMBOLS, GUARD_SYMBOLS, OTHER_GUARDS, Symbol
from riskmap.model import Choices, Result, TallyLine

__all__ = ["ACTION_LABELS", "TreeClass", "TreeClasses", "action_classes", "guard_classes", "guard_labels"]

ACTION_LABELS: Final[dict[str, str]] = {
    "fit": "Fit a guard",
    "swap": "Swap the guard",
    "loosen": "Loosen the guard",
    "remove": "Take the guard off",
    "look": "Look at the tree first",
    "keep": "Keep what is on",
    "accept": "Accept the pressure",
    "none needed": "None needed",
    "not a tree": "Not a tree",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class TreeClass:
    """One entry of the key."""

    key: str
    label: str
    symbol: Symbol
    count: int


@dataclass(frozen=True, slots=True, kw_only=True)
class TreeClasses:
    """The entries, and for each tree the place of its entry."""

    classes: tuple[TreeClass, ...]
    code: npt.NDArray[np.uint8]
    by_guard: Mapping[str, int]  # keys of guards -> place; without it the action decides
    by_action: Mapping[str, int]

    def of(self, line: TallyLine) -> int:
        """Return the place of the entry of some trees that are alike."""
        return self.by_guard.get(line.keys if line.guard else "", self.by_action.get(line.action or "none needed", 0))


def action_classes(result: Result) -> TreeClasses:
    """Class every tree by its action, in the order of `ACTION_LABELS`; actions nobody has are left out."""
    counts = _by_action(result.tally.lines)
    return _classed([_action_class(word, many) for word, many in counts.items()], result.choices, {})


def guard_classes(result: Result) -> TreeClasses:
    """Class every tree by its recommended guard, most used first; trees without one stand under their action.

    Sizes are left out of the classes (a key of ninety heights reads badly): the label carries the size only where
    all its trees share one. Guards past the last symbol share the entry "Other guards".
    """
    lines, named = result.tally.lines, guard_labels(result)
    counts: dict[str, int] = {}
    for line in lines:
        if _has_guard(line):
            counts[line.keys] = counts.get(line.keys, 0) + line.trees
    ranked = sorted(counts, key=lambda keys: -counts[keys])
    own, rest = ranked[: len(GUARD_SYMBOLS)], ranked[len(GUARD_SYMBOLS) :]
    classes = [
        TreeClass(key=keys, label=_guard_label(keys, lines, named), symbol=symbol, count=counts[keys])
        for keys, symbol in zip(own, GUARD_SYMBOLS, strict=False)
    ]
    place = {keys: number for number, keys in enumerate(own)} | dict.fromkeys(rest, len(own))
    if rest:
        many = sum(counts[keys] for keys in rest)
        classes.append(TreeClass(key="", label="Other guards", symbol=OTHER_GUARDS, count=many))
    for word, many in _by_action([line for line in lines if not _has_guard(line)]).items():
        entry = _action_class(word, many)
        classes.append(TreeClass(key=word, label=entry.label, symbol=entry.symbol, count=many))
    return _classed(classes, result.choices, place)


def _has_guard(line: TallyLine) -> bool:
    """Whether trees of one line have a guard to be classed by."""
    return bool(line.guard and line.keys)


def _by_action(lines: Iterable[TallyLine]) -> dict[str, int]:
    """Trees by action, in the order of `ACTION_LABELS`; no action at all counts as none needed, and stands last."""
    counts: dict[str, int] = {}
    for line in lines:
        counts[line.action] = counts.get(line.action, 0) + line.trees
    known = [word for word in ACTION_LABELS if word in counts]
    other = sorted(word for word in counts if word and word not in ACTION_LABELS)
    found = {word: counts[word] for word in (*known, *other)}
    if "" in counts:
        found["none needed"] = found.get("none needed", 0) + counts[""]
    return found


def _classed(classes: Sequence[TreeClass], choices: Choices, place: Mapping[str, int]) -> TreeClasses:
    """Find each tree's entry: by its guard where it has one of those that have a place, else by its action."""
    by_word = {entry.key: number for number, entry in enumerate(classes) if number not in place.values()}
    actions = np.array([by_word.get(word or "none needed", 0) for word in (*choices.action.values, "")], dtype=np.int64)
    code = actions[choices.action.codes]
    if place:
        has_guard = (choices.guard.codes >= 0) & (choices.guard_keys.codes >= 0)
        guards = np.array([place.get(keys, 0) for keys in (*choices.guard_keys.values, "")], dtype=np.int64)
        code = np.where(has_guard, guards[choices.guard_keys.codes], code)
    return TreeClasses(classes=tuple(classes), code=code.astype(np.uint8), by_guard=place, by_action=by_word)


def guard_labels(result: Result) -> Mapping[str, str]:
    """Return what each guard is called, by its key, the user's own too."""
    own = {guard.key: guard.label for guard in result.site.inputs.guard_lists.own}
    return {key: guard.label for key, guard in tables.guards().items()} | own


def _guard_label(keys: str, lines: Sequence[TallyLine], named: Mapping[str, str]) -> str:
    """The label with size where one size is used, else the labels of its parts."""
    labels = {line.guard for line in lines if line.keys == keys and line.guard}
    if len(labels) == 1:
        return labels.pop()
    return " + ".join(named.get(part, part) for part in map(str.strip, keys.split(";")))


def _action_class(word: str, count: int) -> TreeClass:
    """The entry of one action."""
    symbol = ACTION_SYMBOLS.get(word, ACTION_SYMBOLS["look"])
    return TreeClass(key=word, label=ACTION_LABELS.get(word, word), symbol=symbol, count=count)
