"""The station: what to do at every tree."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

import numpy as np

from riskmap import tables
from riskmap.choose.alive import Aim
from riskmap.choose.asked import Place, Verdict
from riskmap.choose.case import Case
from riskmap.choose.catalogue import Catalogue, open_catalogue
from riskmap.choose.context import Needs, group_alike, needs_of
from riskmap.choose.market import Limits
from riskmap.choose.now import name_guard
from riskmap.choose.part_share import PartSteps, Share, steps_of
from riskmap.choose.policy import choose_by_floor, choose_by_money, choose_by_share, choose_by_survival, loss_prevented
from riskmap.choose.span import cost_span
from riskmap.choose.words import count_words
from riskmap.choose.worth import replace_costs, worth_taken
from riskmap.errors import shown
from riskmap.model import (
    Assumption,
    Choices,
    ChoiceSettings,
    Coded,
    Exposure,
    Guard,
    IntArray,
    Note,
    Pressure,
    Site,
    Watch,
)
from riskmap.rules import deer_kinds, deer_reach_m

__all__ = ["choose_guards", "part_steps"]

MOST_NAMED: Final = 8  # words in a note
USUAL_YEAR: Final = 3  # in which plantings are counted


def choose_guards(
    site: Site,
    exposures: Mapping[str, Exposure],
    pressure: Pressure,
    *,
    share: Share | None = None,
    watch: Watch,
) -> Choices:
    """Choose what to do at every tree: nothing, or the cheapest guards that stop what must be stopped.

    Parameters
    ----------
    site : Site
        Trees, and the settings that name floor, prices and guards never to be used.
    exposures : mapping
        Role to exposure.
    pressure : Pressure
        Pressure by tree and agent, and what each stem is.
    share : Share, optional
        What this part of a site takes of the budget; without it the budget is this site's alone.
    watch : Watch
        Told how far the station has come.

    Returns
    -------
    Choices
        Action, guards, reasons and money for every tree, in file order.
    """
    wants = site.inputs.settings.choice
    case, limits = _case_of(site, exposures, pressure)
    place, alike, catalogue = case.place, case.alike, case.place.catalogue
    allowed: dict[str, Any] = {"most_kinds": wants.most_kinds, "stock": site.inputs.guard_lists.stock}
    if share is not None:
        outcome = choose_by_share(case, share)
    elif wants.alive_per_ha is not None:
        outcome = choose_by_survival(
            case, Aim(per_ha=wants.alive_per_ha, year=wants.year or USUAL_YEAR), stock=allowed["stock"]
        )
    elif _by_money(wants, limits):
        outcome = choose_by_money(case, limits, **allowed)
    else:
        outcome = choose_by_floor(case, watch=watch, **allowed)
    watch.log(f"{len(alike.count):,} kinds of tree, {len(place.menus):,} kinds of place")
    shared, drawn = outcome.shared, outcome.drawn
    assumptions = (
        *catalogue.assumptions,
        *worth_taken(site.trees.table, catalogue.rates),
        *drawn.assumptions,
        *_assumed(site, pressure, case.needs),
    )
    choices = _gather(shared.verdicts, shared.of_tree, catalogue, assumptions)
    told = {
        "loss_prevented": loss_prevented(shared.verdicts, shared.of_tree, case),
        "money": outcome.money,
        "fences": shared.fences,
        "fencing": shared.facts,
        "stock": drawn.used,
        "stock_proof": drawn.proof,
    }
    cost = choices.cost + shared.cost
    span = cost_span(shared, cost, choices.hours, catalogue)
    told["cost_span"] = span  # both ends by tree
    return replace(
        choices,
        cost=cost,
        cost_per_year=choices.cost_per_year + shared.cost_per_year,
        notes=(*_unknown_guards(site, catalogue.own), *outcome.notes),
        extra={**choices.extra, **told},
    )


def _unknown_guards(site: Site, own: tuple[Guard, ...]) -> tuple[Note, ...]:
    """One note on all trees whose guard, as written, is none we know."""
    table, trees = site.trees.table, site.inputs.settings.trees
    found = [name_guard(text, own) for text in table.guard_now.values]
    strange = np.array([not one.known for one in found] + [False])
    where = strange[table.guard_now.codes] & table.kept
    if not where.any():
        return ()
    counts = np.bincount(table.guard_now.codes[where], minlength=len(table.guard_now.values))
    named = [shown(table.guard_now.values[code]) for code in np.argsort(-counts, kind="stable") if counts[code]]
    words = ", ".join(f"'{text}'" for text in named[:MOST_NAMED]) + (", …" if len(named) > MOST_NAMED else "")
    pairs = zip(reversed(found), reversed(table.guard_now.values), strict=True)
    several = {one.may_be: text for one, text in pairs if one.may_be}
    words += "".join(f"; '{shown(text)}' may be {what}" for what, text in several.items())
    return (
        Note.at(
            where,
            row=table.row,
            tree_id=table.tree_id,
            code="guard_unknown",
            file=trees.file,
            column=trees.columns.get("guard_now", ""),
            what=f"a guard of no known name at {count_words(int(where.sum()), 'tree')}: {words}",
            remedy="write a name of `riskmap show guards`, or none; or describe it in guards.own",
        ),
    )


def part_steps(site: Site, exposures: Mapping[str, Exposure], pressure: Pressure) -> PartSteps:
    """Return what steps of guards cost and prevent at a part of a site, for a budget that all parts share.

    Parameters
    ----------
    site, exposures, pressure
        As `choose_guards` takes them.
    """
    return steps_of(_case_of(site, exposures, pressure)[0])


def _case_of(site: Site, exposures: Mapping[str, Exposure], pressure: Pressure) -> tuple[Case, Limits]:
    """The site as the policies see it, and what limits them."""
    settings = site.inputs.settings
    wants = settings.choice
    limits = Limits(budget=wants.budget, hours=wants.hours, group_least=wants.group_least)
    by_money = _by_money(wants, limits)
    figures = tables.figures(settings.overrides)
    catalogue = open_catalogue(settings, site.inputs.guard_lists)
    reach_m = deer_reach_m(settings.local, settings.region, figures["deer_browse"])
    needs = needs_of(pressure, figures, floor=wants.floor, deer_reach_m=reach_m, all_live=by_money)
    alike = group_alike(site, exposures, pressure, needs=needs)
    place = Place(
        catalogue=catalogue,
        agents=pressure.agents,
        shares=tuple(figures[agent]["share_lost"] for agent in pressure.agents),
        deer=deer_kinds(settings.local, settings.region),
        southern=_southern(site),
        month=settings.date.month,
        floor=wants.floor,
        units=settings.units,
        growth_mm=figures["stem"]["growth_mm_per_year"],
        flood_mm=settings.local.flood_m * 1000,
    )
    worth = replace_costs(site.trees.table, needs.caliper_mm, catalogue.rates.small)
    return Case(site=site, place=place, alike=alike, needs=needs, pressure=pressure, worth=worth), limits


def _by_money(wants: ChoiceSettings, limits: Limits) -> bool:
    """Whether money decides, not the floor."""
    return wants.policy == "value" or not limits.none or wants.alive_per_ha is not None or wants.group_least > 0


def _southern(site: Site) -> bool:
    """Whether seasons shift six months: as the site says, else where most trees stand."""
    if site.southern is not None:
        return site.southern
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
                taken=f"{count_words(formless, 'tree')} of unknown form: a conifer by species, a whip under 1.5 m or "
                f"30 mm, else a standard with {work['clear_m'].central:g} m of clear stem",
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
    beaver = pressure.agents.index("beaver") if "beaver" in pressure.agents else None
    if beaver is not None and "flood_m" not in site.inputs.settings.local.given and needs.must[:, beaver].any():
        near = count_words(int(np.count_nonzero(needs.must[:, beaver])), "tree")
        found.append(
            Assumption(
                topic="local.flood_m",
                taken=f"no flood at {near} in reach of beavers: guards end 0.9 m above ground, or 0.6 m above snow",
                why="not given",
                key="local.flood_m",
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
