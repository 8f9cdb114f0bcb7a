"""The main job, one line a station."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from riskmap.check import check_inputs, check_site, gather_result
from riskmap.choose import choose_guards
from riskmap.deliver import write_result
from riskmap.deliver.folder import result_folder
from riskmap.in_parts import measure_in_parts, measured_by
from riskmap.model import Inputs, Result, Settings, Watch
from riskmap.project import project_inputs
from riskmap.read import read_inputs, read_settings
from riskmap.scale import HERE, Crew, open_crew
from riskmap.score import score_pressure

__all__ = ["Delivered", "recommend_guards", "run_site", "work_out"]


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
    watch: Watch,
) -> Delivered:
    """Do the main job on one site.toml; the result folder stands whole afterwards, or nothing has changed."""
    settings = read_settings(site_file).with_budget(budget)
    with result_folder(settings.file, settings.files(), out=out, overwrite=overwrite) as place:
        with open_crew(workers=workers, cluster=cluster, insecure=insecure_cluster) as crew:
            result = work_out(settings, crew=crew, watch=watch)
        files = write_result(result, place.part, only=only, watch=watch)
    return Delivered(folder=place.name, files=tuple(files), result=result)


def work_out(settings: Settings, *, crew: Crew = HERE, watch: Watch) -> Result:
    """Read what a site file names and work everything out; write nothing."""
    with watch.station("read"):
        inputs = read_inputs(settings, watch=watch)
    return recommend_guards(inputs, crew=crew, watch=watch)


def recommend_guards(inputs: Inputs, *, crew: Crew = HERE, watch: Watch) -> Result:
    """Check, measure, score and choose."""
    with watch.station("check"):
        checked = check_inputs(inputs)
    with watch.station("project"):
        site = check_site(project_inputs(checked, watch=watch))
    with watch.station("measure"):
        exposures, rasters = measure_in_parts(site, crew, watch)
    with watch.station("score"):
        pressure = score_pressure(site, exposures, rasters, watch=watch)
    with watch.station("choose"):
        choices = choose_guards(site, exposures, pressure, watch=watch)
    return gather_result(site, exposures, rasters, pressure, choices, engine=measured_by(crew))
