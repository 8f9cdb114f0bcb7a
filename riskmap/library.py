"""The library's functions: GeoDataFrame in, GeoDataFrame out, over the same stations as a run."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, Final

import pandas as pd
import pyarrow as pa
from geopandas import GeoDataFrame

from riskmap.deliver import DELIVERABLES
from riskmap.deliver.columns import own_names, result_table
from riskmap.errors import WordsError
from riskmap.look_over import Findings, look_over
from riskmap.model import Result, SilentWatch
from riskmap.read import inputs_from_frames
from riskmap.run import recommend_guards, run_site

__all__ = ["check_file", "recommend_frame", "run_file", "score_frame"]

_AS_GIVEN: Final = frozenset(  # what the frame holds already, in the user's own words
    {"row", "tree_id", "x", "y", "lon", "lat", "species", "caliper_mm", "dbh_mm", "girth_mm", "height_m", "planted"}
)
_OF_CHOOSING: Final = frozenset(
    {"action", "guard", "guard_height_mm", "guard_reason", "agents_stopped", "agents_open"}
    | {"cost", "cost_per_year", "on_month", "off_month", "off_when"}
)


def score_frame(trees: GeoDataFrame, layers: Mapping[str, GeoDataFrame], **site: Any) -> GeoDataFrame:
    """Score every tree of a frame."""
    return _with_columns(trees, _work_out(trees, layers, site), leave=_AS_GIVEN | _OF_CHOOSING)


def recommend_frame(trees: GeoDataFrame, layers: Mapping[str, GeoDataFrame], **site: Any) -> GeoDataFrame:
    """Score every tree of a frame, and choose what to do."""
    return _with_columns(trees, _work_out(trees, layers, site), leave=_AS_GIVEN)


def run_file(site_file: str | Path, *, out: str | Path | None, only: Iterable[str], overwrite: bool) -> Path:
    """Do the main job on a site file."""
    wanted = tuple(only)
    strange = [name for name in wanted if name not in DELIVERABLES]
    if strange:
        raise WordsError(f"only: there is no {strange[0]!r}; there are {', '.join(DELIVERABLES)}")
    folder = None if out is None else Path(out)
    watch = SilentWatch()
    return run_site(Path(site_file), out=folder, only=wanted, overwrite=overwrite, watch=watch).folder


def check_file(site_file: str | Path) -> Findings:
    """Look a site file over."""
    return look_over(Path(site_file), watch=SilentWatch())


def _work_out(trees: GeoDataFrame, layers: Mapping[str, GeoDataFrame], site: Mapping[str, Any]) -> Result:
    """Do the main job on frames."""
    return recommend_guards(inputs_from_frames(trees, layers, **site), watch=SilentWatch())


def _with_columns(trees: GeoDataFrame, result: Result, *, leave: frozenset[str]) -> GeoDataFrame:
    """Add our columns to the user's frame; index, geometry and columns stay, a name of ours gets ``_in``."""
    table = result_table(result)
    ours = table.select(range(table.num_columns - result.site.trees.table.own.num_columns))
    ours = ours.select([name for name in ours.column_names if name not in leave])
    ours = ours.cast(pa.schema([field.with_type(_plain_type(field.type)) for field in ours.schema]))
    theirs = [name for name in trees.columns if name != trees.geometry.name]
    names = own_names([str(name) for name in theirs], taken=ours.column_names, reserved=())
    given = trees.rename(columns={old: new for old, new in zip(theirs, names, strict=True) if str(old) != new})
    new = ours.to_pandas(types_mapper={pa.bool_(): pd.BooleanDtype(), pa.int64(): pd.Int64Dtype()}.get)
    full = given.assign(**{name: new[name].array for name in new.columns})
    full.attrs = {**trees.attrs, "riskmap_notes": [dataclasses.asdict(note) for note in result.notes]}
    return full


def _plain_type(kind: pa.DataType) -> pa.DataType:
    """A dictionary's own type."""
    return kind.value_type if pa.types.is_dictionary(kind) else kind
