"""Which key entry each tree belongs to: by recommended guard, or by what is to be done."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from riskmap import tables
from riskmap.draw.palette import ACTION_SYMBOLS, GUARD_SYMBOLS, OTHER_GUARDS, Symbol
from riskmap.model import Choices, Coded

__all__ = ["ACTION_LABELS", "TreeClass", "TreeClasses", "action_classes", "guard_classes"]

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


def action_classes(choices: Choices) -> TreeClasses:
    """Class every tree by its action, in the order of `ACTION_LABELS`; actions nobody has are left out."""
    words = [word for word in ACTION_LABELS if word in choices.action.values]
    words += [word for word in choices.action.values if word not in ACTION_LABELS]
    place = {word: number for number, word in enumerate(words)}
    code = _recode(choices.action, place, missing=len(words))
    counts = np.bincount(code, minlength=len(words) + 1)
    found = [_action_class(word, int(counts[place[word]])) for word in words]
    if counts[len(words)]:
        found.append(_action_class("none needed", int(counts[len(words)])))
    return _without_empty(found, code)


def guard_classes(choices: Choices) -> TreeClasses:
    """Class every tree by its recommended guard, most used first; trees without one stand under their action.

    Sizes are left out of the classes (a key of ninety heights reads badly): the label carries the size only where
    all its trees share one. Guards past the last symbol share the entry "Other guards".
    """
    n = len(choices.guard.codes)
    has_guard = (choices.guard.codes >= 0) & (choices.guard_keys.codes >= 0)
    counts = np.bincount(choices.guard_keys.codes[has_guard], minlength=len(choices.guard_keys.values))
    ranked = [int(k) for k in np.lexsort((np.arange(len(counts)), -counts)) if counts[k]]
    own, rest = ranked[: len(GUARD_SYMBOLS)], ranked[len(GUARD_SYMBOLS) :]
    classes = [
        TreeClass(
            key=choices.guard_keys.values[k],
            label=_guard_label(choices, k, has_guard),
            symbol=symbol,
            count=int(counts[k]),
        )
        for k, symbol in zip(own, GUARD_SYMBOLS, strict=False)
    ]
    table = np.zeros(len(counts) + 1, dtype=np.int64)
    table[own] = np.arange(len(own))
    if rest:
        table[rest] = len(own)
        classes.append(
            TreeClass(key="", label="Other guards", symbol=OTHER_GUARDS, count=int(sum(counts[k] for k in rest)))
        )
    code = np.zeros(n, dtype=np.int64)
    code[has_guard] = table[choices.guard_keys.codes[has_guard]]
    bare = ~has_guard
    by_action = action_classes(choices)
    bare_counts = np.bincount(by_action.code[bare], minlength=len(by_action.classes))
    code[bare] = len(classes) + by_action.code[bare].astype(np.int64)
    classes += [
        TreeClass(key=entry.key, label=entry.label, symbol=_hollow(entry.symbol), count=int(count))
        for entry, count in zip(by_action.classes, bare_counts, strict=True)
    ]
    return _without_empty(classes, code)


def _guard_label(choices: Choices, key: int, has_guard: npt.NDArray[np.bool_]) -> str:
    """The label with size where one size is used, else the catalogue's labels of its parts."""
    labels = np.unique(choices.guard.codes[has_guard & (choices.guard_keys.codes == key)])
    if len(labels) == 1:
        return choices.guard.values[int(labels[0])]
    rows = tables.guards()
    parts = [part.strip() for part in choices.guard_keys.values[key].split(";")]
    return " + ".join(rows[part].label if part in rows else part for part in parts)


def _action_class(word: str, count: int) -> TreeClass:
    """The entry of one action."""
    symbol = ACTION_SYMBOLS.get(word, ACTION_SYMBOLS["look"])
    return TreeClass(key=word, label=ACTION_LABELS.get(word, word), symbol=symbol, count=count)


def _hollow(symbol: Symbol) -> Symbol:
    """The symbol of an action beside those of guards: a shape that a guard may have is left white."""
    shapes = {guard.shape for guard in GUARD_SYMBOLS}
    return Symbol(shape=symbol.shape, fill="#ffffff") if symbol.shape in shapes else symbol


def _recode(column: Coded, place: dict[str, int], missing: int) -> npt.NDArray[np.int64]:
    """Codes of a text column as places in our order."""
    table = np.array([place[value] for value in column.values] + [missing], dtype=np.int64)
    found: npt.NDArray[np.int64] = table[column.codes]
    return found


def _without_empty(classes: list[TreeClass], code: npt.NDArray[np.int64]) -> TreeClasses:
    """Drop entries without a tree and close the gaps in the codes."""
    kept = [number for number, entry in enumerate(classes) if entry.count]
    table = np.zeros(max(len(classes), 1), dtype=np.uint8)
    table[kept] = np.arange(len(kept))
    return TreeClasses(classes=tuple(classes[number] for number in kept), code=table[code] if len(code) else table[:0])
