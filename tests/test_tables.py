"""The rows of data/*.csv: cited, graded, complete; an uncited figure does not load."""

from __future__ import annotations

import math

import pytest

from riskmap import tables
from riskmap.model import Figure, Season
from riskmap.rules import RULES
from riskmap.tables import DataRowError

HEAD = "agent,figure,low,central,high,unit,grade,source,where,note\n"
EIGHT = ("beaver", "deer_browse", "antler_rub", "rabbit", "vole", "mower", "snow_throw", "spray_drift")


def test_a_cited_figure_loads() -> None:
    (row,) = tables.load_rows("figures", Figure, text=HEAD + "beaver,sigma,10,30,65,m,fitted,KNAP11;MW85,table 3,\n")
    assert (row.name, row.low, row.central, row.high) == ("sigma_m", 10.0, 30.0, 65.0)


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("beaver,sigma,10,30,65,m,fitted,,,\n", "source '' is not in sources.csv"),
        ("beaver,sigma,10,30,65,m,fitted,NOBODY99,,\n", "source 'NOBODY99' is not in sources.csv"),
        ("beaver,sigma,10,30,65,m,fitted,KNAP11;NOBODY99,,\n", "is not in sources.csv"),
        ("beaver,sigma,10,30,65,m,guessed,KNAP11,,\n", "grade 'guessed' is none of"),
        ("beaver,sigma,10,,65,m,fitted,KNAP11,,\n", "line 2"),
        ("beaver,sigma,10,thirty,65,m,fitted,KNAP11,,\n", "line 2"),
    ],
)
def test_an_uncited_or_broken_figure_does_not_load(line: str, says: str) -> None:
    with pytest.raises(DataRowError, match=r"figures\.csv") as fault:
        tables.load_rows("figures", Figure, text=HEAD + line)
    assert says in str(fault.value)


def test_a_missing_column_does_not_load() -> None:
    with pytest.raises(DataRowError, match="columns"):
        tables.load_rows("seasons", Season, text="agent,kind,months\nvole,,1\n")


def test_eight_agents_are_on_and_three_wait() -> None:
    on = tuple(key for key, agent in tables.agents().items() if not agent.off_by_default)
    assert on == EIGHT
    assert set(tables.agents()) - set(on) == {"hare", "road_salt", "sunscald"}


def test_every_agent_has_rule_roles_and_figures() -> None:
    for key, agent in tables.agents().items():
        assert agent.rule in RULES
        assert all(key in tables.roles()[role].agents for role in agent.roles)
        assert {"h0_per_year", "share_lost"} <= set(tables.figure_rows()[key])
    named = {agent for role in tables.roles().values() for agent in role.agents}
    assert named <= set(tables.agents())


def test_low_central_and_high_stand_in_order() -> None:
    for rows in tables.figure_rows().values():
        for row in rows.values():
            low = row.central if row.low is None else row.low
            high = row.central if row.high is None else row.high
            assert low <= row.central <= high, (row.agent, row.name)
            assert math.isfinite(row.central)


def test_each_season_sums_to_one() -> None:
    for row in tables.seasons():
        assert len(row.months) == 12
        assert sum(row.months) == pytest.approx(1.0, abs=1e-9), (row.agent, row.kind)
        assert min(row.months) >= 0


def test_every_agent_has_a_season() -> None:
    assert {row.agent for row in tables.seasons() if not row.kind} == set(tables.agents())


def test_the_users_figure_stands_in_for_ours_and_the_rest_stays() -> None:
    figures = tables.figures({"beaver": {"sigma_m": 40.0}})
    assert figures["beaver"]["sigma_m"] == 40.0
    assert figures["beaver"]["d_max_m"] == tables.figures()["beaver"]["d_max_m"]
    assert tables.figures()["beaver"]["sigma_m"] == 30.0


# what ships, by domain decision: rates a year (low, central, high), safe caliper, share lost
SHIPPED = {
    "beaver": (0.05, 0.10, 0.40, None, 1.0),
    "deer_browse": (0.2, 0.6, 1.5, None, 0.1),
    "antler_rub": (0.02, 0.08, 0.30, 120.0, 0.35),
    "rabbit": (0.05, 0.2, 0.6, 100.0, 0.35),
    "hare": (0.03, 0.1, 0.4, 100.0, 0.35),
    "vole": (0.11, 0.22, 0.41, 64.0, 0.6),
    "mower": (0.06, 0.20, 0.60, 200.0, 0.1),
    "snow_throw": (0.005, 0.02, 0.08, 150.0, 0.03),
    "spray_drift": (0.02, 0.10, 0.40, 100.0, 0.3),
}


@pytest.mark.parametrize("agent", sorted(SHIPPED))
def test_the_figures_decided_on_are_the_ones_that_ship(agent: str) -> None:
    low, central, high, safe_mm, share_lost = SHIPPED[agent]
    rows = tables.figure_rows()[agent]
    rate = rows["h0_per_year"]
    assert (rate.low, rate.central, rate.high) == (low, central, high)
    assert (rows["safe_caliper_mm"].central if "safe_caliper_mm" in rows else None) == safe_mm
    assert rows["share_lost"].central == share_lost


def test_species_classes_barks_and_leaves_are_words_we_know() -> None:
    classes = {"", "low", "medium", "high"}
    for row in tables.species().values():
        words = {row.beaver, row.deer_browse, row.antler_rub, row.rabbit, row.vole, row.deer_browse_europe}
        assert words <= classes
        assert row.bark in {"thin", "smooth", "rough", "corky"}
        assert row.leaf in {"broadleaf", "conifer"}


def test_every_species_has_its_genus_and_every_name_its_taxon() -> None:
    taxa = tables.species()
    assert {taxon.split()[0] for taxon in taxa} <= set(taxa)
    for name in tables.species_names():
        assert name.taxon in taxa, name
