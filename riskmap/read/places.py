"""Where each tree stands: coordinates and their system, found or asked for, never guessed."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyproj

from riskmap.errors import shown
from riskmap.model import BoolArray, FloatArray, TreeSource
from riskmap.read.coordinates import coarse_step, fit_degrees, near_zero, read_axis, read_pairs, typed_decimals
from riskmap.read.crs import crs_in_words, crs_typed
from riskmap.read.findings import Findings, examples, some
from riskmap.read.headers import Header, match_header
from riskmap.read.numbers import Numbers
from riskmap.read.rows import TreeRows, has_cells, no_rows

__all__ = ["Places", "read_places"]

Decimals: TypeAlias = npt.NDArray[np.int64]
WGS84 = "EPSG:4326"
ASK_CRS = 'name the coordinate system of the trees, such as crs = "EPSG:26918"'
TOTALS = r"(?i)^\W*(grand |sub)?-?\s?(total|sum|summe|average|mean|count)s?\b"


@dataclass(frozen=True, slots=True)
class Places:
    """Coordinates in `crs`, nan where a tree has none."""

    x: FloatArray
    y: FloatArray
    crs: pyproj.CRS | None
    as_given: bool  # longitude and latitude of WGS 84


def read_places(rows: TreeRows, found: Mapping[str, Header], source: TreeSource, findings: Findings) -> Places:
    """Read the coordinates of every row and settle their system."""
    told = _told_crs(source, findings)
    if rows.x is not None and rows.y is not None:
        x, y = rows.x.copy(), rows.y.copy()
        crs = told or rows.crs
        if told is not None and rows.crs is not None and not told.equals(rows.crs, ignore_axis_order=True):
            why = f"trees.crs says so; the file itself says {crs_in_words(rows.crs)}"
            findings.assume("crs.trees", crs_in_words(told), why, "trees.crs")
        if crs is None and not findings.problems:
            why = rows.facts.get("crs_words") or "the file does not name it"
            findings.fault(f"its coordinate system (CRS) is not known: {why}", ASK_CRS, "trees.crs")
        typed, columns = None, ("", "")
    elif "x" in found and "y" in found:
        x, y, crs, typed = _from_two_columns(rows, found, told, source, findings)
        columns = found["x"].text, found["y"].text
    elif "place" in found:
        x, y, crs = _from_one_column(rows, found["place"], told, findings)
        typed, columns = None, (found["place"].text,) * 2
    else:
        _ask_for_columns(rows, findings)
        return Places(np.full(len(rows.row), np.nan), np.full(len(rows.row), np.nan), None, False)
    as_given = crs is not None and crs.equals(pyproj.CRS(WGS84), ignore_axis_order=True)
    places = Places(x, y, crs, as_given)
    if crs is not None:
        _look_at(rows, places, typed, columns, findings)
    return places


def _told_crs(source: TreeSource, findings: Findings) -> pyproj.CRS | None:
    """The system that site.toml names."""
    if not source.crs:
        return None
    try:
        return crs_typed(source.crs)
    except ValueError as error:
        findings.fault(str(error), "write a code such as EPSG:4326 or EPSG:26918", "trees.crs")
        return None


def _ask_for_columns(rows: TreeRows, findings: Findings) -> None:
    """No column of coordinates was found."""
    names = ", ".join(shown(name) for name in rows.table.column_names[:30])
    columns = zip(rows.table.column_names, rows.table.columns, strict=True)
    bare = [name for name, column in columns if not has_cells(column)]
    meant = [name for name in bare if any(match_header(name, axis) is not None for axis in ("x", "y", "place"))]
    empty = f"; without any value: {', '.join(shown(name) for name in meant)}" if meant else ""
    findings.fault(
        f"no columns of coordinates (longitude and latitude, x and y, easting and northing, WKT) among: {names}{empty}",
        'say which they are: columns = { x = "…", y = "…" }',
        "trees.columns",
    )


def _from_two_columns(
    rows: TreeRows, found: Mapping[str, Header], told: pyproj.CRS | None, source: TreeSource, findings: Findings
) -> tuple[FloatArray, FloatArray, pyproj.CRS | None, Decimals]:
    """Coordinates out of a column each."""
    axes, letters, cells = {}, {}, {}
    decimal = source.decimal or _shared_decimal(rows, found)
    for axis in ("x", "y"):
        cells[axis] = rows.table.column(found[axis].index).combine_chunks()
        axes[axis], letters[axis] = read_axis(cells[axis], decimal=decimal)
        if pa.types.is_string(cells[axis].type):
            findings.decimals[axis] = axes[axis].decimal
    exchanged = bool(letters["x"] & {"N", "S"} and letters["y"] & {"E", "W"})
    x, y = axes["x"].value.copy(), axes["y"].value.copy()
    none_read = not (np.isfinite(x) & np.isfinite(y)).any()
    for axis in ("x", "y"):
        odd = axes[axis].odd & ~rows.ragged
        what = f"{some(odd, 'cell')} can't be read as a coordinate: {examples(cells[axis], odd)}"
        remedy, header = "write a number, or degrees such as 42°18'00\"N", found[axis].text
        if none_read and odd.any():
            row = int(findings.row[np.argmax(odd)])
            findings.fault(f"{what}; no row has a place", remedy, "trees.columns", column=header, row=row)
        else:
            findings.note("cell_not_understood", odd, what, remedy, column=header)
    if exchanged:
        x, y = y, x
        findings.assume(
            "columns.x", "latitude and longitude exchanged", "the letters N, S, E, W say so", "trees.columns"
        )
    x[rows.ragged] = y[rows.ragged] = np.nan
    kind = _kind_of_pair(found)
    crs = _settle(x, y, told, kind, (found["x"].text, found["y"].text), findings)
    typed = np.maximum(_decimals(cells["x"]), _decimals(cells["y"]))
    _say_decimal(axes, findings)
    return x, y, crs, typed


def _say_decimal(axes: Mapping[str, Numbers], findings: Findings) -> None:
    """Record the decimal sign where it is a comma."""
    for axis in ("x", "y"):
        if axes[axis].decimal == ",":
            findings.assume(f"decimal.{axis}", "decimal comma", "the cells show it", "trees.decimal")


def _shared_decimal(rows: TreeRows, found: Mapping[str, Header]) -> str:
    """The decimal sign of both coordinates, "" to let each column tell."""
    from riskmap.read.numbers import decimal_sign

    texts: list[list[str]] = []
    for axis in ("x", "y"):
        column = rows.table.column(found[axis].index)
        cells = column.slice(0, 1000).to_pylist() if pa.types.is_string(column.type) else []
        texts.append([text for text in cells if text and not any(mark in text for mark in "°º'’′\"″”")])
    if not any("," in text or text.count(".") > 1 for part in texts for text in part):
        return ""
    sure = {decimal_sign(part, hint="?") for part in texts} - {"?"}
    if len(sure) == 2:
        return ""  # each column has its own
    sign = sure.pop() if sure else decimal_sign(texts[0] + texts[1], hint=rows.decimal_hint)
    return "" if sign == "?" else sign


def _kind_of_pair(found: Mapping[str, Header]) -> str:
    """What the headers say of x and y: degrees, projected, or open."""
    ranks = [match_header(found["x"].text, "x"), match_header(found["y"].text, "y")]
    return {(0, 0): "degrees", (2, 2): "projected"}.get((ranks[0], ranks[1]), "open")  # type: ignore[arg-type]


def _decimals(cells: pa.Array) -> Decimals:
    """How many decimals each cell is written with; none where it is a number already."""
    return typed_decimals(cells) if pa.types.is_string(cells.type) else np.zeros(len(cells), dtype=np.int64)


def _settle(
    x: FloatArray,
    y: FloatArray,
    told: pyproj.CRS | None,
    kind: str,
    headers: tuple[str, str],
    findings: Findings,
) -> pyproj.CRS | None:
    """Settle the system of coordinates from a table; places that can't be in it are taken out."""
    known = np.isfinite(x) & np.isfinite(y)
    fit = fit_degrees(x, y)
    mostly_degrees = bool(known.any()) and fit.sum() * 2 > known.sum()
    if told is not None and not told.is_geographic:
        off_zero = known & ~near_zero(x, y, degrees=True)
        if off_zero.any() and (fit | ~off_zero).all():
            words = f"all coordinates fit degrees, yet trees.crs names {crs_in_words(told)}, which is not in degrees"
            findings.fault(words, "leave trees.crs out, or write EPSG:4326", "trees.crs", column=headers[0])
            return None
        return told
    if not known.any():
        return told or pyproj.CRS(WGS84)
    swapped = known & (np.abs(y) > 90) & (np.abs(y) <= 180) & (np.abs(x) <= 90)
    if swapped.sum() * 2 > known.sum():
        first = int(np.flatnonzero(swapped)[0])
        findings.fault(
            f"latitude {y[first]:g} is past the pole: latitude and longitude look exchanged in {some(swapped, 'row')}",
            'exchange them: columns = { x = "…", y = "…" } with x the longitude',
            "trees.columns",
            column=headers[1],
            row=int(findings.row[first]),
        )
        return None
    if mostly_degrees:
        _take_out(x, y, known & ~fit, headers, findings)
        if told is None:
            why = "the headers say longitude and latitude" if kind == "degrees" else "all coordinates fit degrees"
            findings.assume("crs.trees", "WGS 84 (EPSG:4326)", why, "trees.crs")
        return told or pyproj.CRS(WGS84)
    first = int(np.flatnonzero(known & ~fit)[0])
    seen = f"{x[first]:.10g}, {y[first]:.10g}"
    if told is not None or kind == "degrees":
        says = f"trees.crs is {crs_in_words(told)}" if told is not None else "the headers say longitude and latitude"
        what = f"{says}, but {seen} is out of the range of degrees (-180 to 180, -90 to 90): metres or feet?"
    else:
        what = f"coordinates such as {seen} are metres or feet of a coordinate system (CRS) that nobody names"
    column = headers[1] if kind == "degrees" else f"{headers[0]}, {headers[1]}"
    told_already = any(problem.key == "trees.crs" for problem in findings.problems)  # that the one named is none
    if not told_already:
        findings.fault(what, ASK_CRS, "trees.crs", column=column, row=int(findings.row[first]))
    return None


def _take_out(x: FloatArray, y: FloatArray, off: BoolArray, headers: tuple[str, str], findings: Findings) -> None:
    """Places out of the range of degrees among others that are in it."""
    if off.any():
        first = int(np.flatnonzero(off)[0])
        what = (
            f"{some(off, 'row')} with coordinates out of the range of degrees, such as {x[first]:.10g}, {y[first]:.10g}"
        )
        findings.note(
            "row_without_place", off, f"{what}; not scored", "write the longitude and latitude", column=headers[1]
        )
        x[off] = y[off] = np.nan


def _from_one_column(
    rows: TreeRows, header: Header, told: pyproj.CRS | None, findings: Findings
) -> tuple[FloatArray, FloatArray, pyproj.CRS | None]:
    """Coordinates out of WKT, or latitude and longitude in one cell."""
    cells = rows.table.column(header.index).combine_chunks()
    pairs = read_pairs(cells)
    if pairs.shapes.any():
        first = int(np.flatnonzero(pairs.shapes)[0])
        what = f"{some(pairs.shapes, 'row')} of lines, areas or several points: {examples(cells, pairs.shapes)}"
        remedy = "trees must be points; lay out one point a tree"
        findings.fault(what, remedy, "trees.file", column=header.text, row=int(findings.row[first]))
    odd = pairs.odd & ~rows.ragged
    what = f"{some(odd, 'cell')} can't be read as a point: {examples(cells, odd)}"
    findings.note("cell_not_understood", odd, what, "write WKT such as POINT (-75.01 42.3)", column=header.text)
    x, y = pairs.x.copy(), pairs.y.copy()
    x[rows.ragged] = y[rows.ragged] = np.nan
    if pairs.how and pairs.how != "wkt":
        findings.assume(
            "columns.place", f"{pairs.how} out of column {shown(header.text)}", "the cells show it", "trees.columns"
        )
    if (
        pairs.how == "lat, lon"
        and re.match(r"(?i)\W*(lon|lng|x)", header.text)
        and (fit_degrees(y, x) | np.isnan(x)).all()
    ):
        x, y = y, x
    if told is None and pairs.srids not in ((), (0,)):
        told = _crs_of_srids(pairs.srids, header, findings)
        if told is None:
            return x, y, None
    return x, y, _settle(x, y, told, "open", (header.text, header.text), findings)


def _crs_of_srids(srids: tuple[int, ...], header: Header, findings: Findings) -> pyproj.CRS | None:
    """The system that the SRIDs in the cells name; a fault where they name several, or none that is known."""
    try:
        (srid,) = {*srids} - {0}
        return crs_typed(f"EPSG:{srid}")
    except ValueError:
        words = ", ".join(str(srid) if srid else "none" for srid in srids)
        what = f"the SRIDs of its cells ({words}) name no one coordinate system (CRS)"
        findings.fault(what, ASK_CRS, "trees.crs", column=header.text)
        return None


def _look_at(
    rows: TreeRows, places: Places, typed: Decimals | None, columns: tuple[str, str], findings: Findings
) -> None:
    """Note rows without a place, places at 0,0 and coarse coordinates; the first two lose their place."""
    x, y, crs = places.x, places.y, places.crs
    assert crs is not None
    degrees = bool(crs.is_geographic)
    noted = findings.remarks.get("row_without_place", no_rows(len(x)))
    missing = (~np.isfinite(x) | ~np.isfinite(y)) & ~rows.ragged & ~noted
    what = f"{some(missing, 'row')} without coordinates (missing or not readable){_totals(rows, missing)}; not scored"
    findings.note(
        "row_without_place", missing, what, "write the coordinates, or leave the row out", column=_both(columns)
    )
    zero = near_zero(x, y, degrees=degrees)
    what = f"{some(zero, 'row')} at 0,0, where GPS units and databases put what has no place; not scored"
    findings.note("place_at_zero", zero, what, "write the coordinates", column=_both(columns))
    gone = missing | zero
    x[gone] = y[gone] = np.nan
    unit_m = 1.0 if degrees else float(crs.axis_info[0].unit_conversion_factor or 1.0)
    coarse, step = coarse_step(x, y, degrees=degrees, unit_m=unit_m, typed=typed)
    size = f"{step / 1000:.1f} km" if step >= 1000 else f"{step:.0f} m"
    what = f"{some(coarse, 'row')} with coordinates rounded to about {size} (too few decimals for distances in metres)"
    remedy = f"export them with more decimals, or say how sure they are (accuracy_m = {step / 2:.0f} under [trees])"
    findings.note("coordinates_coarse", coarse, what, remedy, column=_both(columns))


def _both(columns: tuple[str, str]) -> str:
    """Both headers, or the one."""
    return columns[0] if columns[0] == columns[1] else f"{columns[0]}, {columns[1]}"


def _totals(rows: TreeRows, missing: BoolArray) -> str:
    """Name rows that look like totals."""
    seen = []
    for i in np.flatnonzero(missing)[:200]:
        cells = [str(column[int(i)].as_py() or "") for column in rows.table.columns]
        word = next((cell for cell in cells if cell.strip()), "")
        if re.match(TOTALS, word):
            seen.append(f"row {rows.row[i]} ('{shown(word.strip())}') looks like a total, not a tree")
    return f": {'; '.join(seen[:3])}" if seen else ""
