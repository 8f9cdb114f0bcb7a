"""The cheapest way to so many trees alive: guards where they save most for their money, and planting more."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from riskmap import tables
from riskmap.choose.case import Case
from riskmap.choose.fenced import Gained
from riskmap.choose.offers import Offer, make_offer, offer_sheets
from riskmap.choose.planting import Ways, with_fences
from riskmap.choose.spend import Spent, shared_of
from riskmap.choose.words import money_words
from riskmap.errors import InputError, Problem
from riskmap.model import FloatArray, IntArray, Site

__all__ = ["Aim", "keep_alive", "planted_ha", "survival"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Aim:
    """How many trees are to stand, and when."""

    per_ha: float
    year: int


def planted_ha(site: Site) -> float:
    """Return the area planted, from the layers of role planting_area.

    Parameters
    ----------
    site : Site
        Its ground.

    Raises
    ------
    InputError
        There is no such layer: trees per hectare mean nothing then.
    """
    shapes = [layer.geometry for layer in site.layers if layer.role == "planting_area"]
    area_m2 = float(shapely.area(shapely.union_all(np.concatenate(shapes)))) if shapes else 0.0
    if area_m2 <= 0:
        what = "choice.alive_per_ha needs the area that is planted, and no layer gives it"
        remedy = "give a layer with the role planting_area, or leave alive_per_ha out"
        file = site.inputs.settings.file.name
        raise InputError([Problem(file=file, what=what, remedy=remedy, key="choice.alive_per_ha")])
    scale = site.trees.scale[site.trees.placed]
    return area_m2 / float(np.median(scale) if len(scale) else 1.0) ** 2 / 1e4


def survival(loss: FloatArray, cover: FloatArray, life_years: FloatArray, *, years: int, other: float) -> FloatArray:
    """Return the chance that each tree stands after so many years.

    Parameters
    ----------
    loss : ndarray, shape (tree, agent)
        Chance of loss in a year, unguarded.
    cover, life_years : ndarray, shape (agent,)
        Share that a guard takes off, and for how long.
    years : int
        Years from planting.
    other : float
        Chance of living through a year for all other causes.

    Examples
    --------
    >>> survival(np.array([[0.1]]), np.array([1.0]), np.array([2.0]), years=3, other=1.0)
    array([0.9])
    """
    alive = np.full(len(loss), other**years)
    for year in range(years):
        left = 1 - cover * (life_years > year)
        alive *= np.prod(1 - np.minimum(loss * left, 1.0), axis=1)
    return alive


def keep_alive(case: Case, aim: Aim) -> Spent:
    """Choose guards, and how many trees to plant besides, so that so many stand at the least cost.

    Parameters
    ----------
    case : Case
        The site, its trees grouped by every agent that lives.
    aim : Aim
        Trees a hectare, and the year.

    Notes
    -----
    Steps along every tree's options are taken, most alive for their money first, as long as they keep a tree alive
    for less than a new one does; the rest is planted. Without shared fences, the cost is at most one step above the
    least possible; among the fences offered, the bound tells.
    """
    hectares = planted_ha(case.site)
    target = aim.per_ha * hectares
    offers = [make_offer(case.place, case.alike, group) for group in range(len(case.alike.count))]
    cost, _, _ = offer_sheets(offers, case)
    alive = _alive(case, offers, aim, cost)
    here = case.alike.state[case.alike.group] != 1  # rows that are no trees don't count
    without = float(alive[here, 0].sum())
    new = _new_tree(case, cost, alive, here)
    gain = np.where(np.isfinite(cost), alive - alive[:, :1], 0.0)
    ways = Ways(cost=cost, gain=gain, missing=target - without, new=new)
    way, offered = with_fences(case, offers, ways, _stand_gained(case, aim, alive[:, 0]))
    currency = case.place.catalogue.rates.currency
    rate = money_words(new["cost"] / new["alive"], currency)
    why = f"a new tree that stands costs {rate}, no guard saves one for less"
    shared = shared_of(case, offers, way.option, way.fences, why=why)
    facts = {
        "currency": currency,
        "alive_per_ha": aim.per_ha,
        "year": aim.year,
        "area_ha": round(hectares, 4),
        "target": round(target, 1),
        "alive_without": round(without, 1),
        "alive": round(without + way.kept + way.plant * new["alive"], 1),
        "plant": way.plant,
        "plant_guarded": new["guarded"] > 0,
        "cost_guards": round(way.guards, 2),
        "cost_planting": round(way.plant * new["cost"], 2),
        "bound": round(ways.bound(offered), 2),
    }
    if offered:
        facts["fences_offered"], facts["fences_built"] = len(offered), len(way.fences)
    return Spent(shared=shared, facts=facts)


def _stand_gained(case: Case, aim: Aim, without: FloatArray) -> Gained:
    """How many more trees of one group stand with each set of guards than without."""
    other = tables.work_figures()["other_survival"].central

    def gained(trees: IntArray, _group: int, cover: FloatArray, life_years: FloatArray) -> FloatArray:
        loss = np.nan_to_num(case.pressure.loss[trees], nan=0.0).astype(np.float64)
        sets = zip(cover, life_years, strict=True)
        stands = [survival(loss, each, life, years=aim.year, other=other) for each, life in sets]
        return np.column_stack(stands) - without[trees, None]

    return gained


def _alive(case: Case, offers: list[Offer | None], aim: Aim, cost: FloatArray) -> FloatArray:
    """Chance that each tree stands with each option."""
    other = tables.work_figures()["other_survival"].central
    loss = np.nan_to_num(case.pressure.loss, nan=0.0).astype(np.float64)
    nothing = np.zeros(loss.shape[1])
    alive = np.empty(cost.shape)
    order = np.argsort(case.alike.group, kind="stable")
    ends = np.cumsum(case.alike.count)
    for offer, end, count in zip(offers, ends, case.alike.count, strict=True):
        trees = order[end - count : end]
        base = offer.base() if offer else nothing
        always = np.full(len(nothing), np.inf)
        alive[trees] = survival(loss[trees], base, always, years=aim.year, other=other)[:, None]
        for number, option in enumerate(offer.options if offer else (), start=1):
            alive[trees, number] = survival(loss[trees], option.cover, option.life_years, years=aim.year, other=other)
    return alive


def _new_tree(case: Case, cost: FloatArray, alive: FloatArray, here: np.ndarray) -> dict[str, float]:
    """What one more tree costs and its chance to stand: with the best guard of its neighbours, or without."""
    trees = np.flatnonzero(here)
    planting = float(np.median(case.worth[trees])) if len(trees) else 1.0
    bare = {"cost": planting, "alive": max(float(alive[trees, 0].mean()), 1e-6) if len(trees) else 1.0, "guarded": 0.0}
    if not len(trees) or cost.shape[1] == 1:
        return bare
    gain = np.where(np.isfinite(cost[trees]), alive[trees], -np.inf)
    best = np.argmax(gain, axis=1)
    rows = np.arange(len(trees))
    guarded = {
        "cost": planting + float(cost[trees][rows, best].mean()),
        "alive": float(gain[rows, best].mean()),
        "guarded": 1.0,
    }
    return min(bare, guarded, key=lambda one: one["cost"] / one["alive"])
