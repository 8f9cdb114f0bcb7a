"""Notes and assumptions of all parts as one: counts in words add up."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Final

from riskmap.model import Assumption, Note

__all__ = ["join_assumptions", "join_notes"]

_NOUNS: Final = "tree|stem|row|cell|date|number"
_COUNTED: Final = re.compile(rf"(?<![\w.])(\d[\d,]*)(?= (?:{_NOUNS})s?\b| in all\b)")
_NOUN: Final = re.compile(rf"(?<=\d )({_NOUNS})s?\b")


def join_notes(parts: Sequence[Sequence[Note]]) -> list[Note]:
    """Return the notes of all parts; those of one code, file and column are one, with the first rows named."""
    found: dict[tuple[str, str, str, str], dict[Note, None]] = {}
    for note in (note for part in parts for note in part):
        found.setdefault((note.code, note.file, note.layer, note.column), {})[note] = None
    return [_one_note(list(notes)) for notes in found.values()]


def _one_note(notes: list[Note]) -> Note:
    """Notes that differ in their trees as one."""
    if len(notes) == 1:
        return notes[0]
    named = sorted({pair for note in notes for pair in zip(note.rows, note.tree_ids or note.rows, strict=False)})
    rows, ids = zip(*named[: Note.MOST_NAMED], strict=True) if named else ((), ())
    return replace(
        notes[0],
        count=sum(note.count for note in notes),
        what=add_words([note.what for note in notes]),
        rows=rows,
        tree_ids=ids if notes[0].tree_ids else (),
    )


def join_assumptions(parts: Sequence[Sequence[Assumption]]) -> list[Assumption]:
    """Return the assumptions of all parts, one a topic; counts in their words add up."""
    found: dict[tuple[str, str], list[Assumption]] = {}
    for taken in (taken for part in parts for taken in part):
        found.setdefault((taken.topic, taken.key), []).append(taken)
    return [_one_assumption(several) for several in found.values()]


def _one_assumption(several: list[Assumption]) -> Assumption:
    """Assumptions on one topic as one."""
    texts = [taken.taken for taken in several]
    return replace(several[0], taken=add_words(texts))


def add_words(texts: Iterable[str]) -> str:
    """Return texts that differ in how many trees they speak of as one that speaks of all; others one after the other.

    Examples
    --------
    >>> add_words(["guards for 1 tree of unknown size", "guards for 1,200 trees of unknown size"])
    'guards for 1,201 trees of unknown size'
    >>> add_words(["red oak", "bur oak", "red oak"])
    'red oak; bur oak'
    """
    counts: dict[str, list[int]] = {}
    for text in texts:
        numbers = [int(number.replace(",", "")) for number in _COUNTED.findall(text)]
        pattern = _NOUN.sub(r"\1s", _COUNTED.sub("0", text))
        had = counts.setdefault(pattern, [0] * len(numbers))
        counts[pattern] = [one + more for one, more in zip(had, numbers, strict=True)]
    return "; ".join(_filled(pattern, numbers) for pattern, numbers in counts.items())


def _filled(pattern: str, numbers: list[int]) -> str:
    """A pattern with its numbers."""
    left = iter(numbers)
    text = _COUNTED.sub(lambda _: f"{next(left):,}", pattern)
    return re.sub(rf"(?<![\d,])1 ({_NOUNS})s\b", r"1 \1", text)
