"""The main job, one line a station."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from riskmap.check import check_inputs, check_site, gather_result
from riskmap.choose import choose_guards
from riskmap.deliver import write_result
from riskmap.deliver.folder import result_folder
from riskmap.in_parts import Size, Steps, measure_in_parts, measured_by, work_at_once_or_in_parts
from riskmap.model import Inputs, Result, Settings, Site, Watch
from riskmap.project import near_trees, project_inputs
from riskmap.read import read_inputs, read_settings
from riskmap.scale import HERE, Crew, open_crew
from riskmap.score import score_pressure

__all__ = ["Delivered", "recommend_guards", "run_site", "work_out"]

SIZE: Final = Size()


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivered:
    """A result that stands: where, which files, and what they were written from."""

    folder: Path
    files: tuple[str, ...]
    result: Result


def run_site(  # noqa: PLR0913 - a word of the command line each
    site_file: Path,
    *,
    out: Path | None = None,
    budget: float | None = None,
    only: Iterable[str] = (),
    overwrite: bool = False,
    workers: int = 1,
    cluster: str = "",
    insecure_cluster: bool = False,
    size: Size = SIZE,
    watch: Watch,
) -> Delivered:
    """Do the main job on one site.toml; the result folder stands whole afterwards, or nothing has changed."""
    settings = read_settings(site_file).with_budget(budget)
    with result_folder(settings.file, settings.files(), out=out, overwrite=overwrite) as place:
        with open_crew(workers=workers, cluster=cluster, insecure=insecure_cluster) as crew:
            steps = Steps(ready=_ready_site, at_once=_recommend_at)
            result = work_at_once_or_in_parts(settings, steps, place.parts, size, crew, watch=watch)
        files = write_result(result, place.part, only=only, watch=watch)
    return Delivered(folder=place.name, files=tuple(files), result=result)


def work_out(settings: Settings, *, watch: Watch) -> Result:
    """Read what a site file names and work everything out; write nothing."""
    return _recommend_at(_ready_site(settings, watch=watch), HERE, watch=watch)


def _ready_site(settings: Settings, *, watch: Watch) -> Site:
    """Read and check everything, and bring it into metres."""
    with watch.station("read"):
        inputs = read_inputs(settings, near=near_trees, watch=watch)
    return _place_inputs(inputs, watch=watch)


def _place_inputs(inputs: Inputs, *, watch: Watch) -> Site:
    """Check what was read, and bring it into metres."""
    with watch.station("check"):
        checked = check_inputs(inputs)
    with watch.station("project"):
        return check_site(project_inputs(checked, watch=watch))


def recommend_guards(inputs: Inputs, *, watch: Watch) -> Result:
    """Check, measure, score and choose."""
    return _recommend_at(_place_inputs(inputs, watch=watch), HERE, watch=watch)


def _recommend_at(site: Site, crew: Crew, *, watch: Watch) -> Result:
    """Measure, score and choose."""
    with watch.station("measure"):
        exposures, rasters = measure_in_parts(site, crew, watch)
    with watch.station("score"):
        pressure = score_pressure(site, exposures, rasters, watch=watch)
    with watch.station("choose"):
        choices = choose_guards(site, exposures, pressure, watch=watch)
    return gather_result(site, exposures, rasters, pressure, choices, engine=measured_by(crew))
