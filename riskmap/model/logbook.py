"""The field log: one row per tick, made on the map in the field and read back by a later run."""

from __future__ import annotations

from typing import Final

__all__ = ["LOG_COLUMNS"]

LOG_COLUMNS: Final[dict[str, str]] = {
    "date": "Day of the visit, ISO 8601",
    "tree_id": "The tree's name as it went in",
    "row": "Its row in the trees file, where the map knows it",
    "status": "done, skipped or damaged",
    "observer": "Who saw it",
    "note": "Anything else",
    # the damage log
    "agent": "Agent that did the damage, by key; other or empty where unknown",
    "agent_sure": "sure, likely or unknown",
    "height_low_mm": "Where the wound begins above the ground",
    "height_high_mm": "Where it ends",
    "width_mm": "How wide it is",
    "circumference_percent": "Share of the girth that is wounded",
    "fresh_or_old": "fresh or old",
    "side": "N, E, S or W",
    "action": "What was done",
    "photo": "File name of a picture",
    # the guard register
    "guard": "The guard in words, with its size",
    "guard_keys": "Its parts by key, joined by '; '",
    "guard_height_mm": "Its height",
    "installed_by": "Who fitted it",
    "installed_on": "When, ISO 8601",
    "gap_mm": "Space between bark and guard",
    "stake": "yes or no",
    "due_check": "When it must be looked at, ISO 8601",
    "removed_on": "When it came off, ISO 8601",
    "reason": "Why it came off",
    "reused_at": "Where it went next",
}
"""Column to meaning, in order."""
