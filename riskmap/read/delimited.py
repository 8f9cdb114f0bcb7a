"""CSV as people have it: any delimiter and encoding, title lines, quoted line ends, ragged and blank rows."""

from __future__ import annotations

import codecs
import csv
import io
from array import array
from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.csv

from riskmap.errors import InputError, Problem, shown
from riskmap.model import BoolArray
from riskmap.read.rows import TreeRows, no_rows, unguard, unique_names

__all__ = ["read_delimited"]

DELIMITERS: Final = (",", ";", "\t", "|")
DELIMITER_WORDS: Final = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}
LOOKED_AT: Final = 60  # records that tell the delimiter and the header
LONGEST_CELL: Final = 10_000_000
BATCH: Final = 20_000  # rows that stand as Python texts at once
_MARKS: Final = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_END = "\x1eend of the file\x1e"


def read_delimited(data: bytes, *, file: str, encoding: str = "", delimiter: str = "") -> TreeRows:
    """Read the bytes of a CSV.

    Parameters
    ----------
    data : bytes
        The file, unpacked.
    file : str
        As site.toml names it, for messages.
    encoding, delimiter : str
        As the user said, "" to find them.

    Raises
    ------
    InputError
        The text can't be decoded, has no header, or a quote opens and never closes.
    """
    text, used, why = _decode(data, file, encoding)
    start_line = 1
    first, _, rest = text.partition("\n")
    if first.strip().lower().startswith("sep=") and len(first.strip()) == 5:
        delimiter, text, start_line = delimiter or first.strip()[-1], rest, 2
    sign = delimiter or _delimiter(text)
    head_line, header = _header(text, sign, file)
    names = unique_names(header)
    facts = {"kind": "CSV", "encoding": used, "delimiter": DELIMITER_WORDS.get(sign, sign)}
    assumed = [("trees.encoding", f"encoding {used}", why, "trees.encoding")] if why else []
    if head_line > 1:
        facts["header_line"] = str(head_line + start_line - 1)
    if names != [name.strip() for name in header]:
        renamed = ", ".join(shown(name) for name, old in zip(names, header, strict=True) if name != old.strip())
        assumed.append(
            ("trees.columns", f"headers named {renamed}", "a header is blank or stands twice", "trees.columns")
        )
    quick = _read_plain(text, sign, names, head_line)
    table, row, ragged, left_out = quick or _read_any(text, sign, names, head_line, file)
    return TreeRows(
        table=unguard(table),
        row=row + start_line - 1,
        ragged=ragged,
        left_out=tuple(line + start_line - 1 for line in left_out),
        decimal_hint="," if sign == ";" else "",
        facts=facts,
        assumed=tuple(assumed),
    )


def _decode(data: bytes, file: str, encoding: str) -> tuple[str, str, str]:
    """The text, the encoding used, and why where nobody said it."""
    if encoding:
        return _decode_as(data, file, encoding), encoding, ""
    for mark, name in _MARKS:
        if data.startswith(mark):
            return _decode_as(data, file, name), name.removesuffix("-sig"), ""
    sample = data[:4000]
    if sample.count(b"\0") > len(sample) // 4:
        name = "utf-16-le" if sample[1::2].count(0) > sample[::2].count(0) else "utf-16-be"
        return _decode_as(data, file, name), name, "every second byte is zero"
    try:
        return data.decode("utf-8"), "utf-8", ""
    except UnicodeDecodeError:
        pass
    try:
        return data.decode("cp1252"), "cp1252", "the bytes are no UTF-8, and all are letters of Windows-1252"
    except UnicodeDecodeError:
        return data.decode("latin-1"), "latin-1", "the bytes are neither UTF-8 nor Windows-1252"


def _decode_as(data: bytes, file: str, encoding: str) -> str:
    """Decode as told, or say where it fails."""
    try:
        if not codecs.lookup(encoding)._is_text_encoding:
            raise LookupError
        return data.decode(encoding).removeprefix("\ufeff")
    except LookupError:
        what, row = f"'{shown(encoding)}' is no encoding we know", None
    except (UnicodeDecodeError, UnicodeError) as error:
        row = data.count(b"\n", 0, getattr(error, "start", 0)) + 1
        what = f"the text is not {shown(encoding)}"
    remedy = "write the encoding of the file, such as utf-8 or cp1252, or leave the key out"
    raise InputError([Problem(file=file, row=row, what=what, remedy=remedy, key="trees.encoding")])


def _records(text: str, sign: str) -> Iterator[tuple[int, list[str]]]:
    """Every record with the line it starts on."""
    csv.field_size_limit(LONGEST_CELL)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=sign)
    line = 1
    for cells in reader:
        yield line, cells
        line = reader.line_num + 1


def _delimiter(text: str) -> str:
    """The sign that cuts the first records into most equal cells."""
    sample = text[:200_000]
    best = (0.0, 0, ",")
    for sign in DELIMITERS:
        try:
            counts = [
                len(cells) for (_, cells), _ in zip(_records(sample, sign), range(LOOKED_AT), strict=False) if cells
            ]
        except csv.Error:
            continue
        n, times = Counter(counts).most_common(1)[0] if counts else (0, 0)
        if n > 1:
            best = max(best, (round(times / len(counts), 1), n, sign), key=lambda found: found[:2])
    return best[2]


def _header(text: str, sign: str, file: str) -> tuple[int, list[str]]:
    """The line of the header and its cells; title lines above it are passed over."""
    try:
        first = [found for found, _ in zip(_records(text, sign), range(LOOKED_AT), strict=False)]
    except csv.Error as error:
        raise InputError([_unreadable(file, error)]) from error
    filled = [(line, cells) for line, cells in first if any(cell.strip() for cell in cells)]
    widest = max((len(cells) for _, cells in filled), default=0)
    for line, cells in filled:
        if widest < 3 or sum(bool(cell.strip()) for cell in cells) > 1:
            return line, cells
    if filled:
        return filled[0]
    raise InputError(
        [Problem(file=file, what="the file is empty", remedy="a line of headers and a row a tree would do")]
    )


def _unreadable(file: str, error: Exception) -> Problem:
    """The fault that the text is no CSV."""
    return Problem(file=file, what=f"this can't be read as CSV: {shown(error)}", remedy="save it as CSV again")


_Read = tuple[pa.Table, np.ndarray, BoolArray, tuple[int, ...]]


def _read_plain(text: str, sign: str, names: list[str], head_line: int) -> _Read | None:
    """Read a file in which every line is one whole row; None where it is not such a file."""
    if "\n\n" in text or "\n\r\n" in text or "\0" in text or "\r" in text.replace("\r\n", ""):
        return None
    lines = text.count("\n") + (not text.endswith("\n"))
    places = [str(place) for place in range(len(names))]
    try:
        table = pyarrow.csv.read_csv(
            pa.py_buffer(text.encode("utf-8")),
            read_options=pyarrow.csv.ReadOptions(skip_rows=head_line, column_names=places, block_size=16 << 20),
            parse_options=pyarrow.csv.ParseOptions(delimiter=sign, ignore_empty_lines=False),
            convert_options=pyarrow.csv.ConvertOptions(
                column_types=dict.fromkeys(places, pa.string()), strings_can_be_null=False
            ),
        )
    except (pa.ArrowInvalid, UnicodeEncodeError):
        return None
    if table.num_rows != lines - head_line or table.num_rows == 0 or _blank_rows(table).any():
        return None
    table = table.rename_columns(names).combine_chunks()
    return table, np.arange(table.num_rows) + head_line + 1, no_rows(table.num_rows), ()


def _blank_rows(table: pa.Table) -> BoolArray:
    """Rows without any cell."""
    blank = np.ones(table.num_rows, dtype=bool)
    for column in table.columns:
        if not blank.any():
            break
        blank &= np.asarray(pa.compute.equal(pa.compute.utf8_trim_whitespace(column), ""), dtype=bool)
    return blank


def _read_any(text: str, sign: str, names: list[str], head_line: int, file: str) -> _Read:
    """Read record by record, keeping the line of each; a batch at a time becomes columns."""
    width, batches = len(names), []
    rows: list[list[str]] = []
    lines, ragged, left_out = array("q"), bytearray(), array("q")
    try:
        for line, cells in _records(f"{text.rstrip()}\n{_END}\n", sign):
            if cells == [_END]:
                break
            if line <= head_line:
                continue
            if not any(cells) or not any(cell.strip() for cell in cells):
                left_out.append(line)
                continue
            extra = len(cells) > width and any(cell.strip() for cell in cells[width:])
            rows.append(cells if len(cells) == width else (cells + [""] * (width - len(cells)))[:width])
            lines.append(line)
            ragged.append(extra)
            if len(rows) == BATCH:
                batches.append(_columns(rows, names))
                rows = []
        else:
            raise InputError([_never_closed(file, lines[-1] if lines else head_line)])
    except csv.Error as error:
        raise InputError([_unreadable(file, error)]) from error
    table = pa.concat_tables([*batches, _columns(rows, names)]).combine_chunks()
    flags = np.frombuffer(ragged, dtype=np.uint8).astype(bool)
    return table, np.array(lines, dtype=np.int64), flags, tuple(left_out)


def _columns(rows: list[list[str]], names: list[str]) -> pa.Table:
    """Rows as columns of text."""
    columns = list(zip(*rows, strict=True)) if rows else [()] * len(names)
    return pa.table({name: pa.array(_clean(column), pa.string()) for name, column in zip(names, columns, strict=True)})


def _clean(column: Sequence[str]) -> Sequence[str]:
    """Cells that can be written as UTF-8: half characters are replaced."""
    joined = "".join(column)
    if joined.isascii():
        return column
    return [cell.encode("utf-8", "replace").decode("utf-8") for cell in column]


def _never_closed(file: str, row: int) -> Problem:
    """The fault that a quoted cell runs to the end of the file."""
    what = 'a quote (") opens in this row and never closes, so the rest of the file would be one cell'
    return Problem(file=file, row=row, what=what, remedy="close the quote, or write inches as in")
