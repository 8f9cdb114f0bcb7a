"""Three trees west of a pond, written in whatever form a test asks for, and what `riskmap run` makes of them."""

from __future__ import annotations

import contextlib
import csv
import hashlib
import io
import json
import re
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyproj
import pytest
import shapely

from riskmap.cli import main

EAST, NORTH = 500_000.0, 4_683_000.0  # UTM 18N, on its central meridian (75 W, 42.3 N)
UTM = "EPSG:32618"
OFFSETS = ((0.0, 0.0), (-30.0, 0.0), (-60.0, 5.0))  # of the trees; the pond begins 20 m east of the first
PLACES = tuple((EAST + east, NORTH + north) for east, north in OFFSETS)
DEGREES = tuple(pyproj.Proj(UTM)(east, north, inverse=True) for east, north in PLACES)  # WGS 84 both: no datum step
METRES = (20.008, 50.02, 80.032)  # on the ground: planar / 0.9996
POND = shapely.box(EAST + 20, NORTH - 50, EAST + 120, NORTH + 50)
RING = [list(corner) for corner in POND.exterior.coords]
CORNERS = [list(pyproj.Proj(UTM)(east, north, inverse=True)) for east, north in RING]  # of the pond, in degrees
FAULTS = re.compile(r"(?:error|note): .+")
NO_NUMBER = re.compile(r"(?i)[+-]?(inf(inity)?|nan)|-9999(\.0+)?")
OURS = ("distance_", "edge_", "pressure_", "loss_", "elevation_value", "snow_depth", "x", "y", "lon", "lat")

Content = bytes | str | Callable[[Path], Any]


@dataclass(frozen=True)
class Ran:
    """What a run said and left."""

    status: int
    said: str
    rows: list[dict[str, str]]
    record: dict[str, Any]
    folder: Path
    out: Path

    def metres(self, role: str = "water") -> list[float | None]:
        """Distances of every row; None where empty."""
        return [float(row[f"distance_{role}_m"]) if row.get(f"distance_{role}_m") else None for row in self.rows]

    def column(self, name: str) -> list[str]:
        """One column of trees.csv."""
        return [row[name] for row in self.rows]


def pond_frame(crs: Any = UTM, **columns: Any) -> gpd.GeoDataFrame:
    """The pond in a CRS."""
    frame = gpd.GeoDataFrame(columns or {"kind": ["pond"]}, geometry=[POND], crs=UTM)
    return frame if crs == UTM else frame.to_crs(crs)


def pond_geojson() -> str:
    """The pond in degrees, with more figures than GDAL would write."""
    return json.dumps({"type": "Feature", "properties": {}, "geometry": {"type": "Polygon", "coordinates": [CORNERS]}})


def table(head: str, cells: Callable[[int, float, float], str]) -> str:
    """A CSV of the three trees: cells(number, longitude, latitude) gives a line."""
    return "\n".join([head, *(cells(i, *place) for i, place in enumerate(DEGREES, start=1))]) + "\n"


def plain_table() -> str:
    """The three trees as CSV, nothing odd about them."""
    return table("id,species,lat,lon", lambda i, lon, lat: f"T{i},Quercus bicolor,{lat:.8f},{lon:.8f}")


def toml_text(text: str) -> str:
    """A text as TOML writes it."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def run(
    place: Path,
    files: Mapping[str, Content] | None = None,
    *,
    trees: str = "trees.csv",
    tree_keys: str = "",
    layer: str = "water.geojson",
    layer_keys: str = "",
    more: str = "",
    only: Sequence[str] = ("csv",),
    words: Sequence[str] = (),
    scratch: Path | None = None,
) -> Ran:
    """Write the site, run riskmap on it in this process, and hold it to the rules that every run keeps.

    Parameters
    ----------
    place : Path
        An empty folder.
    files : mapping
        Name -> content, or a function that writes the file; trees.csv and the pond are added where missing.
    tree_keys, layer_keys, more : str
        Lines of site.toml: of [trees], of the one layer, and after it.
    scratch : Path, optional
        Where riskmap's temporary files go; a new folder.
    """
    site, scratch = place / "site", scratch or place / "tmp"
    site.mkdir()
    scratch.mkdir()
    given: dict[str, Content] = {"trees.csv": plain_table(), "water.geojson": pond_geojson(), **(files or {})}
    for name, content in given.items():
        path = site / name
        if callable(content):
            content(path)
        else:
            path.write_bytes(content if isinstance(content, bytes) else content.encode())
    text = f"date = 2026-10-15\n[trees]\nfile = {toml_text(trees)}\n{tree_keys}\n"
    text += f'[[layers]]\nrole = "water"\nfile = {toml_text(layer)}\n{layer_keys}\n' if layer else ""
    (site / "site.toml").write_text(text + more, encoding="utf-8")
    before = sums(site)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(tempfile, "tempdir", str(scratch))
        status, said = typed("run", str(site / "site.toml"), "-q", *words, *(["--only", *only] if only else []))
    out = site / "site-out"
    rows, record = [], {}
    if status == 0 and (out / "trees.csv").exists():
        with (out / "trees.csv").open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
        record = json.loads((out / "run.json").read_text(encoding="utf-8"))
    ran = Ran(status, said, rows, record, site, out)
    _hold_rules(ran, before, scratch)
    return ran


def typed(*words: str) -> tuple[int, str]:
    """The status and the words of one command."""
    said = io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        status = main(words)
    return status, said.getvalue()


def _hold_rules(ran: Ran, before: Mapping[str, str], scratch: Path) -> None:
    """The rules of the reproducer cases, whatever the input."""
    assert "Traceback" not in ran.said and "fault of riskmap" not in ran.said, ran.said
    assert ran.status in (0, 1, 2), ran.said
    assert all(FAULTS.fullmatch(line) for line in ran.said.splitlines()), ran.said
    after = {name: told for name, told in sums(ran.folder).items() if not name.startswith("site-out/")}
    assert after == before, "an input changed, or something stands beside the inputs"
    assert not list(scratch.iterdir()), "temporary files were left"
    assert not list(ran.folder.glob("*.part")) and not list(ran.folder.glob("*.old"))
    if ran.status:
        assert not ran.out.exists() and ran.said.startswith("error: ")
    for row in ran.rows:
        ours = {name: cell for name, cell in row.items() if name.startswith(OURS)}
        assert not any(NO_NUMBER.fullmatch(cell) for cell in ours.values()), ours
    if ran.record:
        (told,) = [one for one in ran.record["inputs"] if "columns" in one["read_as"]]
        assert len(ran.rows) == told["rows"]


def sums(folder: Path) -> dict[str, str]:
    """Every file below a folder with the sha256 of its bytes."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and not path.is_symlink()
    }


def right(ran: Ran, *, metres: Sequence[float | None] = METRES, tolerance_m: float = 0.05) -> None:
    """Hold the distances to the hand layout."""
    assert ran.status == 0, ran.said
    found = ran.metres()
    assert len(found) == len(metres), ran.said
    for one, other in zip(found, metres, strict=True):
        assert (one is None) == (other is None), (found, ran.said)
        assert other is None or abs(one - other) <= tolerance_m, (found, ran.said)


def refused(ran: Ran, *words: str) -> None:
    """Hold a refusal to one clear line that says these words."""
    assert ran.status in (1, 2), ran.said
    for word in words:
        assert word.casefold() in ran.said.casefold(), ran.said


def turned(shape: Any, east: float, north: float) -> Any:
    """A shape in degrees mirrored at the equator or at Greenwich."""
    return shapely.transform(shape, lambda xy: xy * np.array([east, north]))
