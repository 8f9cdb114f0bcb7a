"""Field surveys by others, read by our own readers: they give the shares that were published, and bear out our figures.

River Otter Beaver Trial, winter field signs (University of Exeter, GPL-3); Faison and Foster, moose foraging in
central Massachusetts 2005 (Harvard Forest Data Archive). Neither enters the project; without them this is skipped.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from outside import SHARED, needs

from riskmap import tables
from riskmap.read.numbers import read_lengths
from riskmap.score.sensitivity import prefer_size

SIGNS = SHARED / "data" / "beaver-signs-river-otter"
MOOSE = SHARED / "data" / "moose-browse-ma-2005"


def shares(values: np.ndarray, limits: tuple[float, ...]) -> list[float]:
    """Percent of values up to each limit."""
    return [100 * float((values <= limit).mean()) for limit in limits]


@needs(SIGNS)
def test_beaver_cut_thin_stems_by_the_bank() -> None:
    table = pd.read_csv(SIGNS / "feeding_signs.csv", dtype=str, keep_default_na=False)
    bank_m = pd.to_numeric(table["distance_to_bank_m"], errors="coerce").dropna().to_numpy()
    assert len(bank_m) == 3596
    assert shares(bank_m, (0, 1, 2, 5, 10, 15, 20)) == pytest.approx([46, 62, 75, 91, 97, 99, 99.6], abs=0.6)
    cells = [cell for cells in table["stem_diameters_cm"] for cell in cells.split()]
    stems_mm = read_lengths(pa.array(cells), unit="cm", to="mm").value
    stems_mm = stems_mm[np.isfinite(stems_mm)]
    assert len(stems_mm) == 2284
    assert shares(stems_mm, (20, 50, 80, 150)) == pytest.approx([54, 91, 96, 98], abs=0.6)
    assert stems_mm.max() == 450
    # what the figure rests on: planted whips are not passed over, thick stems mostly are
    row = tables.figure_rows()["beaver"]["d0_mm"]
    assert "54 % of stems cut in open data are 20 mm or thinner" in row.note
    figures = tables.figures()["beaver"]
    taste = prefer_size(stems_mm, figures["d0_mm"], figures["log_sd"], both_sides=False)
    assert (taste[stems_mm <= 20] == 1).all()
    assert 100 * float((taste > 0.5).mean()) > 95


@needs(MOOSE)
def test_moose_browse_stems_of_every_size_in_reach_and_less_near_houses() -> None:
    table = pd.read_csv(MOOSE / "trees.csv")
    known = table[table["browsed"].notna()]
    for over_cm, to_cm, n, percent in ((2.5, 5, 763, 23), (5, 7.5, 304, 28), (7.5, 10, 156, 38), (10, 15, 146, 34)):
        among = known[(known["dbh_cm"] > over_cm) & (known["dbh_cm"] <= to_cm)]
        assert len(among) == n
        assert 100 * among["browsed"].mean() == pytest.approx(percent, abs=0.6)
    plots = pd.read_csv(MOOSE / "plots.csv")
    bands = pd.cut(plots["dist_dev_m"], [0, 100, 200, 400, 800, np.inf])
    found = plots.groupby(bands, observed=True)["browse_index"]
    assert found.count().tolist() == [4, 7, 31, 36, 78]
    assert found.mean().tolist() == pytest.approx([7, 15, 20, 26, 33], abs=0.5)
    # why no caliper ends browse in our figures, for any kind of deer: height does
    assert "safe_caliper_mm" not in tables.figures()["deer_browse"]
