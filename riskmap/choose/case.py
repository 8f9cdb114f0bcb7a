"""One site as the policies see it."""

from __future__ import annotations

from dataclasses import dataclass

from riskmap.choose.asked import Place
from riskmap.choose.context import Alike, Needs
from riskmap.model import FloatArray, Pressure, Site

__all__ = ["Case"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One site as the policies see it.

    Attributes
    ----------
    site : Site
        Trees and ground.
    place : Place
        Guards, rates and what holds over the whole site.
    alike : Alike
        Groups of trees that are alike.
    needs : Needs
        Agents in need and years of need, by tree.
    pressure : Pressure
        Pressure and loss, by tree and agent.
    worth : ndarray, shape (tree,)
        Cost to replace each tree. [money]
    """

    site: Site
    place: Place
    alike: Alike
    needs: Needs
    pressure: Pressure
    worth: FloatArray
