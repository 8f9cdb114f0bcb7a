"""A site cut into parts: every part measures and scores as the whole does."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from riskmap.check import check_inputs, check_site
from riskmap.in_parts import Cutter, cut_trees
from riskmap.measure import measure_exposures, measure_rasters
from riskmap.model import RasterValues, SilentWatch, Site
from riskmap.model.part import join_rows, take_rows
from riskmap.project import project_inputs
from riskmap.read import read_inputs, read_settings
from riskmap.score import score_pressure

DEMO = Path(__file__).parents[1] / "data_demo"


@pytest.fixture(scope="module", params=["riverside", "streets"])
def site(request: pytest.FixtureRequest) -> Site:
    """A demo site in metres."""
    inputs = read_inputs(read_settings(DEMO / request.param / "site.toml"), watch=SilentWatch())
    return check_site(project_inputs(check_inputs(inputs), watch=SilentWatch()))


def test_every_tree_stands_in_one_part(site: Site) -> None:
    parts = cut_trees(site, 100)
    assert max(map(len, parts)) <= 100
    assert np.array_equal(np.sort(np.concatenate(parts)), np.arange(site.trees.n))


def test_a_part_measures_and_scores_as_the_whole(site: Site) -> None:
    watch, n = SilentWatch(), site.trees.n
    whole = measure_exposures(site, watch=watch)
    rasters = measure_rasters(site, watch=watch)
    pressure = score_pressure(site, whole, rasters, watch=watch)
    cutter = Cutter.of(site)
    for rows in cut_trees(site, max(n // 7, 1)):
        part = cutter.part(rows)
        seen = measure_exposures(part, watch=watch)
        assert list(seen) == list(whole)
        for role, exposure in seen.items():
            for name in ("distance_m", "edge_m"):
                ours, theirs = getattr(exposure, name), getattr(whole[role], name)[rows]
                assert np.allclose(ours, theirs, rtol=0, atol=1e-9, equal_nan=True), (role, name)
            for name in ("inside", "nearest_layer", "nearest_feature", "known", "edge_of_data"):
                assert np.array_equal(getattr(exposure, name), getattr(whole[role], name)[rows]), (role, name)
        looked_up = measure_rasters(part, watch=watch)
        for ours, theirs in zip(looked_up, rasters, strict=True):
            assert np.array_equal(ours.value, theirs.value[rows], equal_nan=True)
        scored = score_pressure(part, seen, looked_up, watch=watch)
        assert np.allclose(scored.value, pressure.value[rows], rtol=0, atol=1e-6, equal_nan=True)
        assert np.array_equal(scored.decisive, pressure.decisive[rows])


def test_rows_taken_and_joined_are_what_they_were(site: Site) -> None:
    n = site.trees.n
    parts = cut_trees(site, 90)
    order = np.concatenate(parts)
    joined = join_rows([take_rows(site.trees, rows, n=n) for rows in parts], sizes=[len(rows) for rows in parts])
    back = take_rows(joined, np.argsort(order), n=n)
    assert np.array_equal(back.x_m, site.trees.x_m, equal_nan=True)
    assert back.table.own.combine_chunks().equals(site.trees.table.own.combine_chunks())
    assert back.table.species.texts() == site.trees.table.species.texts()
    assert back.table.remarks == site.trees.table.remarks
    assert back.table.tree_id.equals(site.trees.table.tree_id)


def test_remarks_stay_with_their_rows_where_some_parts_have_none(site: Site) -> None:
    bare = replace(take_rows(site.trees.table, np.arange(3), n=site.trees.n), remarks=None)
    told = replace(bare, remarks=((), ("tree_far",), ()))
    none, some = ((),) * 3, ((), ("tree_far",), ())
    for parts, expected in (([bare, told], none + some), ([told, bare, told], some + none + some)):
        assert join_rows(parts, sizes=[3] * len(parts)).remarks == expected
    assert join_rows([bare, bare], sizes=[3, 3]).remarks is None


def test_flags_that_a_part_lacks_are_false_there() -> None:
    from result_factory import make_result

    pressure = make_result(4).pressure
    bare = take_rows(pressure, np.array([0, 2]), n=4)
    other = take_rows(pressure, np.array([1, 3]), n=4)
    dry = type(bare)(**{**{name: getattr(bare, name) for name in bare.__dataclass_fields__}, "remarks": {}})
    assert join_rows([dry, other], sizes=[2, 2]).remarks["species_unknown"].tolist() == [False, False, True, False]
    values = [RasterValues(name="a", value=np.zeros(2), status=np.zeros(2, np.int8))] * 2
    assert len(join_rows(values, sizes=[2, 2]).value) == 4
