"""Exposures -> pressure of each agent on each tree."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from riskmap import tables
from riskmap.model import (
    BoolArray,
    Coded,
    Exposure,
    Float32Array,
    FloatArray,
    Pressure,
    RasterValues,
    Site,
    Stems,
    Watch,
)
from riskmap.rules import RULES, Figures, agents_on, deer_kinds, local_share, struck_by_machine
from riskmap.score.around import is_one_of, measure_around, snow_depth, unknown_everywhere, with_habitat
from riskmap.score.lost_names import LostNames
from riskmap.score.sayings import (
    classes_missing,
    crowns_taken,
    ground_taken,
    odd_names,
    remarks_of,
    why_not_scored,
)
from riskmap.score.sensitivity import (
    CROWN_FORMS,
    Browse,
    Kinds,
    browse_reach_m,
    find_kinds,
    sensitivity_of,
    size_factor,
)
from riskmap.score.species import read_species
from riskmap.score.stems import Sizes, find_forms, find_sizes

__all__ = ["score_pressure"]

EUROPEAN_DEER = frozenset({"red", "sika", "roe", "fallow", "muntjac", "elk", "moose"})


def score_pressure(
    site: Site, exposures: Mapping[str, Exposure], rasters: Sequence[RasterValues], *, watch: Watch
) -> Pressure:
    """Score every agent at every tree.

    Hazard per year is h0 · Q · K · S · Z; pressure is 1 - exp(-hazard), the chance of damage within a year unguarded.

    Parameters
    ----------
    site : Site
        Trees and ground in metres.
    exposures : mapping
        Role -> exposure; a role that is missing was not surveyed and its agents are not scored.
    rasters : sequence of RasterValues
        Snow depth overrides the local figure; habitat rasters count as deer cover.
    watch : Watch
        Told of the work.

    Returns
    -------
    Pressure
        nan where an agent was not scored; never a zero for not knowing.
    """
    settings, table, n = site.inputs.settings, site.inputs.trees, site.trees.n
    figures = tables.figures(settings.overrides)
    agents = agents_on(settings)
    exposures = with_habitat(site, exposures, rasters)
    snow_m, pile_m, remarks = snow_depth(site, exposures, rasters, figures)
    sizes = find_sizes(table, settings, figures["stem"])
    species = read_species(table.species, settings.region)
    kinds = find_kinds(table.species, tuple(taxon for taxon, _ in species))
    leaf = kinds.words("leaf")
    forms = find_forms(table, leaf)
    crown = is_one_of(forms, CROWN_FORMS) | is_one_of(leaf, ("conifer",))
    lifted = crown & is_one_of(forms, ("standard",)) & np.isnan(table.lowest_branch_m)
    clear_m = tables.work_figures()["clear_m"].central
    browse = Browse(
        reach_m=browse_reach_m(settings.local, settings.region, snow_m - pile_m, figures["deer_browse"]),
        crown=crown,
        crown_base_m=np.where(lifted, clear_m, np.nan_to_num(table.lowest_branch_m, nan=0.0)),
    )
    european = bool(EUROPEAN_DEER & set(deer_kinds(settings.local, settings.region)))
    scorable = table.kept & site.trees.placed & (sizes.known | sizes.young)

    hazard = np.empty((len(agents), n), dtype=np.float32).T  # one agent after the other in memory
    sensitivity, factor, shares = np.empty_like(hazard), np.empty_like(hazard), np.empty_like(hazard)
    for column, agent in enumerate(agents):
        ours = figures[agent]
        with np.errstate(over="ignore"):  # a steep curve of the user's own
            sensitivity[:, column] = s = sensitivity_of(agent, kinds, ours, european=european)
            factor[:, column] = z = size_factor(agent, sizes, kinds, browse, figures)
            kernel, added, known = _kernel(agent, site, exposures, snow_m, ours)
        shares[:, column] = _share_lost(kinds, ours)
        full = ours["h0_per_year"] * local_share(agent, settings.local, ours)
        hazard[:, column] = np.where(known & scorable, (full * kernel * s + added) * z, np.nan)
        watch.progress(column + 1, len(agents))

    return Pressure(
        **_summed(hazard, shares),
        agents=agents,
        not_scored=why_not_scored(site, sizes, np.asarray(np.isnan(hazard).all(axis=1))),
        stems=_stems(sizes, kinds, forms, sensitivity, factor, (snow_m, pile_m)),
        remarks=remarks_of(site, sizes, kinds, exposures, remarks),
        notes=LostNames.of(table, kinds).notes(settings),
        assumptions=(
            *sizes.assumptions,
            *crowns_taken(lifted & table.kept, clear_m),
            *odd_names(site, species),
            *ground_taken(site, agents, figures),
            *classes_missing(site),
        ),
    )


def _summed(hazard: Float32Array, shares: Float32Array) -> dict[str, Any]:
    """Pressure and loss of each agent and of all that were scored, and which loses most."""
    value = -np.expm1(-hazard)
    loss = value * shares
    unscored = np.isnan(hazard)
    none = unscored.all(axis=1)
    known_hazard, known_loss = np.where(unscored, 0, hazard), np.where(unscored, 0, loss)
    together = known_hazard.sum(axis=1, dtype=np.float64)
    lost = np.minimum(known_loss.sum(axis=1, dtype=np.float64), 1.0)
    return {
        "value": value,
        "loss": loss,
        "pressure_any": np.where(none, np.nan, -np.expm1(-together)),
        "loss_any": np.where(none, np.nan, lost),
        "decisive": np.where(lost > 0, known_loss.argmax(axis=1), -1),
    }


def _kernel(
    agent: str, site: Site, exposures: Mapping[str, Exposure], snow_m: FloatArray, figures: Figures
) -> tuple[FloatArray, FloatArray, BoolArray]:
    """K of one agent, what the machine itself adds, and where they are known; of several roles the worse."""
    row, n = tables.agents()[agent], site.trees.n
    kernel, struck, known = np.zeros(n), np.zeros(n), np.zeros(n, dtype=bool)
    for role in row.roles:
        exposure = exposures.get(role) or unknown_everywhere(role, n)
        around = measure_around(agent, role, site, exposure, snow_m, figures)
        if not around.known.any():
            continue
        kernel = np.maximum(kernel, np.where(around.known, RULES[row.rule](around.measured, figures), 0.0))
        if "strike_per_year" in figures:
            struck = np.maximum(struck, np.where(around.known, struck_by_machine(around.measured, figures), 0.0))
        known |= around.known
    if not row.roles:
        return np.ones(n), struck, np.ones(n, dtype=bool)
    return kernel, struck * figures.get("strike_per_year", 0.0), known


def _share_lost(kinds: Kinds, figures: Figures) -> FloatArray:
    """Share of a tree's worth lost when the agent damages it."""
    felled = figures["share_lost"]
    sprouting = figures.get("share_lost_resprouts", felled)
    return kinds.per_tree([sprouting if row and row.resprouts else felled for row in kinds.rows])


def _stems(
    sizes: Sizes,
    kinds: Kinds,
    forms: Coded,
    sensitivity: Float32Array,
    factor: Float32Array,
    snow: tuple[FloatArray, FloatArray],
) -> Stems:
    """What each tree is, for the stations that follow."""
    return Stems(
        caliper_mm=sizes.caliper_mm,
        height_m=sizes.height_m,
        age_years=sizes.age_years,
        size_known=sizes.known,
        young=sizes.young,
        taxon=kinds.taxon,
        leaf=kinds.words("leaf"),
        bark=kinds.words("bark"),
        form=forms,
        sensitivity=sensitivity,
        size_factor=factor,
        ended=factor == 0,
        snow_m=snow[0],
        pile_m=snow[1],
    )
