"""What to do for one group of trees that are alike: nothing, look, or ask for guards."""

from __future__ import annotations

from riskmap.choose.already import judge_guard_on
from riskmap.choose.asked import Asked, Place, Verdict, keys_of, look_at
from riskmap.choose.context import Alike
from riskmap.choose.now import Named, name_guard
from riskmap.choose.words import agent_words, below_words, joined
from riskmap.errors import shown
from riskmap.model import BoolArray

__all__ = ["decide_group"]


def decide_group(place: Place, alike: Alike, group: int) -> Verdict:
    """Decide for one group.

    Parameters
    ----------
    place : Place
        What holds over the whole site.
    alike : Alike
        The groups.
    group : int
        Which of them.
    """
    state = int(alike.state[group])
    if state:
        return _not_asked(state)
    need = alike.need[group]
    text = alike.guard_now[group]
    now = name_guard(text, place.catalogue.own) if text else Named(known=True)
    if not now.known:
        what = f"may be {now.may_be}: look which" if now.may_be else "is none we know: look at it"
        return look_at(f"The guard written for this tree, '{shown(text)}', {what}.", place, need)
    if need.any() and alike.paved[group]:
        return look_at("Stands inside a cleared drive or walk: a pit, or the point is off. Look first.", place, need)
    if now.guard is None:
        if need.any():
            return Asked(place=place, alike=alike, group=group).fit()
        return _nothing(place, alike.ended[group], ringed=bool(alike.ring_holds[group]))
    return judge_guard_on(place, alike, group, now)


def _not_asked(state: int) -> Verdict:
    """Trees that are not chosen for."""
    if state == 1:
        return Verdict(action="not a tree", reason="Left out by trees.keep or trees.drop.")
    if state == 2:
        return Verdict(action="look", reason="No caliper, height or year is known: look at the tree first.")
    if state == 4:
        return Verdict(action="look", reason="It has no place that could be read: find it, and write its coordinates.")
    return Verdict(action="look", reason="Nothing could be scored here: the cell not_scored says why.")


def _nothing(place: Place, ended: BoolArray, *, ringed: bool) -> Verdict:
    """A tree that needs nothing, with the reason."""
    over = [agent_words(agent) for agent in keys_of(place.agents, ended)]
    past = f" Too thick, tall or old to be harmed by {joined(over)}." if over else ""
    but = ", but for mowers and trimmers, which the mulch ring that is laid keeps off" if ringed else ""
    return Verdict(action="none needed", reason=f"{below_words(place.floor)}{but}.{past}")
