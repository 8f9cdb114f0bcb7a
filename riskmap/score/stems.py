"""What each stem is: caliper at nursery height, height, age; what was measured and what was taken."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from riskmap.model import Assumption, BoolArray, Coded, FloatArray, Settings, TreeTable
from riskmap.rules import Figures

__all__ = ["Sizes", "find_forms", "find_sizes", "nursery_caliper_mm"]

STOUT_MM = 100.0  # breast diameters from here on add a fixed width, so that the caliper never steps


@dataclass(frozen=True, slots=True, kw_only=True)
class Sizes:
    """Sizes used for scoring; shape (tree,), nan only where nothing is known of a tree's size."""

    caliper_mm: FloatArray
    height_m: FloatArray  # nan also on thin stems of unknown height: within reach
    age_years: FloatArray
    known: BoolArray  # caliper, height or year is known
    young: BoolArray  # none is, taken as young
    caliper_taken: BoolArray  # from height or age
    missing_size: str  # young | look: what was done where none is known
    assumptions: tuple[Assumption, ...]


def nursery_caliper_mm(table: TreeTable, figures: Figures) -> FloatArray:
    """Turn stems as measured into caliper at nursery height; nan where empty or not above zero.

    Parameters
    ----------
    table : TreeTable
        Stems in `stem_mm`, measured at `stem_at`; girths are round the stem.
    figures : mapping
        Figures of ``stem``.

    Returns
    -------
    ndarray, shape (tree,)
        Caliper 150 mm above the soil (300 mm on big stock). [mm]
    """
    measured_mm = np.where(table.stem_mm > 0, table.stem_mm, np.nan)
    if table.stem_kind == "girth_mm":
        measured_mm = measured_mm / np.pi
    if table.stem_kind == "caliper_mm":
        return measured_mm
    low = table.stem_at == "girth_1m"
    ratio = figures["caliper_per_metre_high"] if low else figures["caliper_per_breast"]
    return np.where(measured_mm < STOUT_MM, measured_mm * ratio, measured_mm + STOUT_MM * (ratio - 1))


def find_sizes(table: TreeTable, settings: Settings, figures: Figures) -> Sizes:
    """Work out caliper, height and age of every tree, each from the others where it is missing.

    A tree of which neither caliper, height nor year is known is taken as young, or left to be looked at:
    ``trees.missing_size``, and where that is not given young if more than half the list has no size.
    """
    measured_mm = nursery_caliper_mm(table, figures)
    height_m = np.where(table.height_m > 0, table.height_m, np.nan)
    age_years = np.maximum(table.age_years, 0.0)
    has_caliper, has_height, has_age = ~np.isnan(measured_mm), ~np.isnan(height_m), ~np.isnan(age_years)
    known = has_caliper | has_height | has_age
    missing_size = settings.trees.missing_size
    if not missing_size:
        missing_size = "young" if np.count_nonzero(~known & table.kept) * 2 > np.count_nonzero(table.kept) else "look"

    from_height_mm = height_m * 1000 / figures["slender_young"]
    from_age_mm = figures["start_caliper_mm"] + figures["growth_mm_per_year"] * age_years
    caliper_mm = np.where(has_caliper, measured_mm, np.where(has_height, from_height_mm, from_age_mm))
    from_caliper_years = np.maximum(caliper_mm - figures["start_caliper_mm"], 0) / figures["growth_mm_per_year"]
    tall = caliper_mm > figures["tall_mm"]
    from_caliper_m = np.where(tall, caliper_mm * figures["slender_open"] / 1000, np.nan)
    young = ~known & (missing_size == "young")
    sizes = Sizes(
        caliper_mm=caliper_mm,
        height_m=np.where(has_height, height_m, from_caliper_m),
        age_years=np.where(has_age, age_years, np.where(young, 0.0, from_caliper_years)),
        known=known,
        young=young,
        caliper_taken=known & ~has_caliper,
        missing_size=missing_size,
        assumptions=(),
    )
    return _with_assumptions(sizes, table, figures, has_height, has_age)


def _with_assumptions(
    sizes: Sizes, table: TreeTable, figures: Figures, has_height: BoolArray, has_age: BoolArray
) -> Sizes:
    """Say what was taken for how many trees."""
    kept = table.kept
    said = []

    def say(topic: str, trees: BoolArray, taken: str, key: str = "") -> None:
        count = int(np.count_nonzero(trees & kept))
        if count:
            trees_said = f"{count:,} tree{'' if count == 1 else 's'}"
            said.append(Assumption(topic=topic, taken=f"{taken} ({trees_said})", why="judgement", key=key))

    measured = sizes.known & ~sizes.caliper_taken
    if table.stem_kind != "caliper_mm":
        low = table.stem_at == "girth_1m"
        ratio = figures["caliper_per_metre_high"] if low else figures["caliper_per_breast"]
        place = "the diameter at 1 m" if low else "the breast diameter"
        say(
            "sizes.caliper",
            measured,
            f"caliper {ratio:g} x {place} on stems under 100 mm, {STOUT_MM * (ratio - 1):g} mm more on thicker ones",
            "trees.caliper_at",
        )
    say(
        "sizes.caliper_from_height",
        sizes.caliper_taken & has_height,
        f"caliper as height / {figures['slender_young']:g}",
        "trees.columns.caliper",
    )
    say(
        "sizes.caliper_from_age",
        sizes.caliper_taken & ~has_height,
        f"caliper as {figures['start_caliper_mm']:g} mm and {figures['growth_mm_per_year']:g} mm a year",
        "trees.columns.caliper",
    )
    say(
        "sizes.age_from_caliper",
        sizes.known & ~has_age,
        f"age as caliper over {figures['start_caliper_mm']:g} mm at {figures['growth_mm_per_year']:g} mm a year",
        "trees.columns.planted",
    )
    say(
        "sizes.height_from_caliper",
        sizes.known & ~has_height & ~np.isnan(sizes.height_m),
        f"height as {figures['slender_open']:g} x caliper on stems over {figures['tall_mm']:g} mm",
        "trees.columns.height",
    )
    say(
        "sizes.height_unknown",
        sizes.known & np.isnan(sizes.height_m),
        f"leader within reach of deer on stems of up to {figures['tall_mm']:g} mm whose height is unknown",
        "trees.columns.height",
    )
    say("sizes.missing", sizes.young, "young: no caliper, height or year is known", "trees.missing_size")
    look = ~sizes.known & ~sizes.young
    say("sizes.missing", look, "to be looked at: no caliper, height or year is known", "trees.missing_size")
    return replace(sizes, assumptions=tuple(said))


def find_forms(table: TreeTable, leaf: Coded) -> Coded:
    """Return each tree's form as given; where it is not, conifer by species and multi_stem by number of stems."""
    forms = (*table.form.values, "conifer", "multi_stem")
    codes = table.form.codes.copy()
    conifer = leaf.codes == (leaf.values.index("conifer") if "conifer" in leaf.values else -2)
    codes = np.where((codes < 0) & conifer, len(forms) - 2, codes)
    codes = np.where((codes < 0) & (table.stems > 1), len(forms) - 1, codes)
    return Coded(codes=codes, values=forms)
