"""The station: what to do at every tree."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from riskmap import tables
from riskmap.choose.asked import Place, Verdict
from riskmap.choose.catalogue import Catalogue, open_catalogue
from riskmap.choose.context import Alike, Needs, group_alike, needs_of
from riskmap.choose.decide import decide_group
from riskmap.choose.spend import Limits, spend_money
from riskmap.choose.words import count_words
from riskmap.choose.worth import replace_costs
from riskmap.model import Assumption, Choices, Coded, Exposure, FloatArray, IntArray, Pressure, Site, Watch
from riskmap.rules import deer_kinds, deer_reach_m

__all__ = ["choose_guards"]


def choose_guards(site: Site, exposures: Mapping[str, Exposure], pressure: Pressure, *, watch: Watch) -> Choices:
    """Choose what to do at every tree: nothing, or the cheapest guards that stop what must be stopped.

    Parameters
    ----------
    site : Site
        Trees, and the settings that name floor, prices and guards never to be used.
    exposures : mapping
        Role to exposure.
    pressure : Pressure
        Pressure by tree and agent, and what each stem is.
    watch : Watch
        Told how far the station has come.

    Returns
    -------
    Choices
        Action, guards, reasons and money for every tree, in file order.
    """
    settings = site.inputs.settings
    wants = settings.choice
    limits = Limits(budget=wants.budget, hours=wants.hours)
    by_money = wants.policy == "value" or not limits.none
    figures = tables.figures(settings.overrides)
    catalogue = open_catalogue(settings)
    reach_m = deer_reach_m(settings.local, settings.region, figures["deer_browse"])
    needs = needs_of(pressure, figures, floor=wants.floor, deer_reach_m=reach_m, all_live=by_money)
    alike = group_alike(site, exposures, pressure, needs=needs)
    place = Place(
        catalogue=catalogue,
        agents=pressure.agents,
        deer=deer_kinds(settings.local, settings.region),
        southern=_southern(site),
        month=settings.date.month,
        floor=wants.floor,
        units=settings.units,
        growth_mm=figures["stem"]["growth_mm_per_year"],
    )
    worth = replace_costs(site.trees.table, needs.caliper_mm)
    if by_money:
        spent = spend_money(place, alike, needs, pressure, worth, limits=limits)
        verdicts, of_tree, facts = spent.verdicts, spent.of_tree, spent.facts
    else:
        verdicts, of_tree, facts = _decide_all(place, alike, watch), alike.group, {}
    watch.log(f"{len(alike.count):,} kinds of tree, {len(place.menus):,} kinds of place")
    assumptions = (*catalogue.assumptions, *_assumed(site, pressure, needs))
    choices = _gather(verdicts, of_tree, catalogue, assumptions)
    prevented = _loss_prevented(verdicts, of_tree, pressure, worth)
    return replace(choices, extra={**choices.extra, "loss_prevented": prevented, "money": facts})


def _decide_all(place: Place, alike: Alike, watch: Watch) -> list[Verdict]:
    """Decide for every group by the floor."""
    verdicts = []
    for group in range(len(alike.count)):
        verdicts.append(decide_group(place, alike, group))
        if group % 100 == 0:
            watch.progress(group, len(alike.count))
    return verdicts


def _loss_prevented(verdicts: list[Verdict], of_tree: IntArray, pressure: Pressure, worth: FloatArray) -> FloatArray:
    """Money of loss a year that the guards recommended or kept prevent at each tree."""
    loss = np.nan_to_num(pressure.loss, nan=0.0)
    none = np.zeros(len(pressure.agents))
    covers = [1 - np.array(verdict.leaves) if verdict.leaves else none for verdict in verdicts]
    cover = np.array(covers).reshape(-1, len(pressure.agents))
    return np.asarray((loss * cover[of_tree]).sum(axis=1) * worth)


def _southern(site: Site) -> bool:
    """Whether most trees stand in the southern hemisphere."""
    lat = site.trees.lat[site.trees.placed]
    return bool(len(lat) and np.median(lat) < 0)


def _gather(
    verdicts: list[Verdict], group: IntArray, catalogue: Catalogue, assumptions: tuple[Assumption, ...]
) -> Choices:
    """Spread verdicts over trees."""

    def text(name: str) -> Coded:
        by_group = Coded.of([getattr(verdict, name) for verdict in verdicts])
        return Coded(codes=by_group.codes[group], values=by_group.values)

    def number(name: str, kind: type = float) -> np.ndarray:
        return np.array([getattr(verdict, name) for verdict in verdicts], dtype=kind)[group]

    return Choices(
        action=text("action"),
        guard=text("guard"),
        guard_keys=text("keys"),
        guard_height_mm=number("height_mm"),
        reason=text("reason"),
        agents_stopped=text("stopped"),
        agents_open=text("open"),
        cost=number("cost"),
        cost_per_year=number("cost_per_year"),
        hours=number("hours"),
        on_month=number("on_month", np.int64),
        off_month=number("off_month", np.int64),
        off_when=text("off_when"),
        currency=catalogue.rates.currency,
        assumptions=assumptions,
        extra={"alternative": group, "alternatives": [verdict.alternatives for verdict in verdicts]},
    )


def _assumed(site: Site, pressure: Pressure, needs: Needs) -> list[Assumption]:
    """What was taken for the trees that guards are chosen for."""
    busy = needs.must.any(axis=1)
    work = tables.work_figures()
    found = []
    formless = int(np.count_nonzero(busy & (pressure.stems.form.codes < 0)))
    if formless:
        found.append(
            Assumption(
                topic="trees.form",
                taken=f"{count_words(formless, 'tree')} of unknown form are conifers by species, whips under "
                f"1.5 m or 30 mm, else standards with {work['clear_m'].central:g} m of clear stem",
                why="judgement",
                key="trees.columns.form",
            )
        )
    unsized = int(np.count_nonzero(busy & np.isnan(pressure.stems.caliper_mm)))
    if unsized:
        found.append(
            Assumption(
                topic="trees.caliper",
                taken=f"guards for {count_words(unsized, 'tree')} of unknown size are cut for young whips",
                why="judgement",
                key="trees.columns.caliper",
            )
        )
    roomless = int(np.count_nonzero(busy & np.isnan(site.trees.table.room_m)))
    if roomless:
        found.append(
            Assumption(
                topic="trees.room",
                taken=f"room enough for a cage at {count_words(roomless, 'tree')} whose room is not known",
                why="judgement",
                key="trees.columns.room",
            )
        )
    return found
