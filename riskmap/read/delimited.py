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
from riskmap.read.letters import Unsure, read_letters
from riskmap.read.rows import TreeRows, no_rows, unguard, unique_names

__all__ = ["read_delimited"]

DELIMITERS: Final = (",", ";", "\t", "|")
RARE_DELIMITERS: Final = ("^", "~", "¦", "\x01", "\x1f", ":", " ")  # looked at where none of the others cuts
DELIMITER_WORDS: Final = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar", " ": "spaces"}
LOOKED_AT: Final = 60  # records that tell the delimiter and the header
LONGEST_CELL: Final = 10_000_000
BATCH: Final = 20_000  # rows that stand as Python texts at once
_END = "\x1eend-of-the-file\x1e"


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
    text, used, why = _decode(data.removesuffix(b"\x1a"), file, encoding)  # CP/M's end of file, still met
    start_line, delimiter = 1, _told_delimiter(delimiter, file)
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
        above = f"{head_line - 1} line{'' if head_line == 2 else 's'} above it hold fewer cells"
        assumed.append(("trees.header", f"headers in line {head_line + start_line - 1}", above, "trees.file"))
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


def _told_delimiter(told: str, file: str) -> str:
    """The sign the user named, as a sign or in words."""
    sign = {word: sign for sign, word in DELIMITER_WORDS.items()}.get(told.strip().casefold(), told)
    if len(sign) > 1 or sign in ("\n", "\r", "\0", '"'):
        what, remedy = (
            f"'{shown(told)}' is no sign that can stand between cells",
            'write one sign, such as ";" or "\\t"',
        )
        raise InputError([Problem(file=file, what=what, remedy=remedy, key="trees.delimiter")])
    return sign


def _decode(data: bytes, file: str, encoding: str) -> tuple[str, str, str]:
    """The text, the encoding used, and why where nobody said it."""
    if encoding:
        return _decode_as(data, file, encoding), encoding, ""
    try:
        return read_letters(data)
    except UnicodeDecodeError as error:
        return _decode_as(data, file, error.encoding), "", ""  # says where it fails
    except Unsure as unsure:
        readings = ", ".join(
            f"{name} ('{shown(read, longest=24)}')" for name, read in list(unsure.readings.items())[:4]
        )
        what = f"nobody says the encoding, and its letters look right in none or in several: {readings}"
        remedy = f'say which, such as encoding = "{next(iter(unsure.readings))}"'
        problem = Problem(file=file, row=unsure.row, what=what, remedy=remedy, key="trees.encoding")
        raise InputError([problem]) from unsure


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
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=sign, skipinitialspace=sign == " ")
    line = 1
    for cells in reader:
        yield line, cells
        line = reader.line_num + 1


def _delimiter(text: str) -> str:
    """The sign that cuts the first records into most equal cells."""
    sample = text[:200_000]
    best = max((_cut_by(sample, sign) for sign in DELIMITERS), key=lambda cut: cut[:2])
    if best[1] < 2:
        rare = max((_cut_by(sample, sign) for sign in RARE_DELIMITERS), key=lambda cut: cut[:2])
        best = rare if rare[0] > 0.9 and rare[1] > 2 else best
    return best[2] if best[1] > 1 else ","


def _cut_by(sample: str, sign: str) -> tuple[float, int, str]:
    """Share of records that a sign cuts into one number of cells, that number, and the sign."""
    try:
        counts = [len(cells) for (_, cells), _ in zip(_records(sample, sign), range(LOOKED_AT), strict=False) if cells]
    except csv.Error:
        return 0.0, 0, sign
    cells, times = Counter(counts).most_common(1)[0] if counts else (0, 0)
    return (round(times / len(counts), 1), cells, sign) if cells > 1 else (0.0, 0, sign)


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
    if sign == " " or not sign.isascii():
        return None
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
    return Problem(file=file, row=row, what=what, remedy="close the quote; write inches as 2 in, not with a quote")
