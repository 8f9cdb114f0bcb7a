"""How far from a tree the ground of each role still matters."""

from __future__ import annotations

from riskmap import rules, tables
from riskmap.model import Settings

__all__ = ["role_reach_m"]


def role_reach_m(role: str, settings: Settings) -> float:
    """Return the widest reach of the agents that come from one role and are scored.

    Parameters
    ----------
    role : str
        Key of the role.
    settings : Settings
        Say which agents are scored, and give the user's own figures.
    """
    figures, scored = tables.figures(settings.overrides), rules.agents_on(settings)
    reaches_m = (rules.reach_m(agent, figures) for agent in tables.roles()[role].agents if agent in scored)
    return max(reaches_m, default=0.0)
