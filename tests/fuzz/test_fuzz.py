"""Spoilt files of every kind, the same ones in every run; `fuzz_readers.py` beside it looks for new ones by hand."""

from __future__ import annotations

import base64
import tempfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from readers import FILES, TEXTS, read_file, read_text, seed
from variant_site import run

SPOILING = (
    *(b"\x00", b"\xff" * 4, b"\x7f\xff\xff\xff", b"\x00" * 8, b"\x80", b"1e999", b"nan", b"-", b'"', b"'", b"<", b">"),
    *(b"{", b"[", b"]", b"&x;", b"<!DOCTYPE a>", b"]]>", b"\r\n", b",", b";", b"\\u0000", b"\xed\xa0\x80", b"9" * 30),
)
EDITS = st.lists(
    st.tuples(
        st.sampled_from(("set", "insert", "cut", "double")),
        st.floats(0, 1),
        st.sampled_from(SPOILING),
        st.integers(1, 64),
    ),
    min_size=1,
    max_size=6,
)
QUIETLY = settings(
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


def spoilt(data: bytes, edits: list[tuple[str, float, bytes, int]]) -> bytes:
    """A file with some bytes set, put in, cut out or doubled."""
    for how, share, piece, length in edits:
        at = int(share * len(data))
        if how == "set":
            data = data[:at] + piece + data[at + len(piece) :]
        elif how == "insert":
            data = data[:at] + piece + data[at:]
        elif how == "cut":
            data = data[:at] + data[at + length :]
        else:
            data = data[:at] + data[at : at + length] + data[at:]
    return data


@pytest.mark.parametrize("kind", sorted(FILES))
def test_spoilt_files_are_read_or_refused(kind: str, tmp_path: Path) -> None:
    whole = seed(kind, tmp_path)

    @settings(QUIETLY, max_examples=60)
    @given(EDITS)
    def holds(edits: list[tuple[str, float, bytes, int]]) -> None:
        with tempfile.TemporaryDirectory(dir=tmp_path) as folder:
            read_file(kind, spoilt(whole, edits), Path(folder))

    holds()


@pytest.mark.parametrize("kind", TEXTS)
def test_spoilt_texts_and_shapes_are_read_or_left(kind: str, tmp_path: Path) -> None:
    whole = seed(kind, tmp_path)

    @settings(QUIETLY, max_examples=300)
    @given(st.one_of(EDITS.map(lambda edits: spoilt(whole, edits)), st.binary(max_size=80), st.text().map(str.encode)))
    def holds(data: bytes) -> None:
        read_text(kind, data)

    holds()


FINDS = (  # what fuzz_readers.py has found so far
    ("cells", b"0" * 200 + b"1" * 300 + b"*01"),  # degrees of hundreds of figures were infinite
    ("hex", b"\x00\xf2\x35\x00\x08\xf2\x00\x10\x00\x00\x00\x00\x00\x02\x00\x00"),  # GEOS looks at half of a type
    (  # an arc of no size divided by zero
        "wkb",
        base64.b64decode(
            "AQYAAAANAAAAAAAAAAEGAAEAAACneqenAAAAAAAAAQYAAAANAAAAAAAAAAgAAAADAAAAAAAAAQYAAAABAAAAAAABAAAAAFgFAAAA"
            "AAAAAAEAAAAAAAAAAAAAAQAAAAEDAAAABQAAAAgAAAADAAAAAAAAAAUAAAAIAAAAAwAAAAAAAAEGAAAAAQAAAAABAFkAAAAAAAEG"
            "AAAA2NjY2AAAAAAAAABfAAAAAAEGAAAAQQAAAAAABTAcrr7/AAAAAAEAAA=="
        ),
    ),
    (  # a curve whose parts are points
        "wkb",
        b"\x01\x0b\x00\x00\x00\x01\x00\x00\x00\x01\x01\x00\x00\x00" + bytes(16),
    ),
    ("geojson", b'{"type": "Feature", "geometry;": {"co\x9f": [1]}}'),  # JSON that is no UTF-8 within GeoJSON that is
)


@pytest.mark.parametrize(("kind", "data"), FINDS)
def test_what_was_found_stays_mended(kind: str, data: bytes, tmp_path: Path) -> None:
    if kind in TEXTS:
        read_text(kind, data)
    else:
        read_file(kind, data, tmp_path)


CELLS = st.one_of(
    st.text(st.characters(codec="utf-8"), max_size=12),
    st.sampled_from(
        ("1,234.5", "42°18'N", "3-6 in", "=1+1", "2025-02-30", "nan", "1e999", '"', "POINT (1 2)", "-75.01")
    ),
)


def test_tables_of_any_cells_keep_every_rule(tmp_path: Path) -> None:
    heads = ("id", "lat", "lon", "species", "dbh_in", "Height", "planted", "Ward", "notes", "wkt")

    @settings(QUIETLY, max_examples=40)
    @given(
        st.lists(st.lists(CELLS, min_size=1, max_size=10), min_size=1, max_size=6), st.sampled_from((",", ";", "\t"))
    )
    def holds(rows: list[list[str]], sign: str) -> None:
        text = "\n".join([sign.join(heads), *(sign.join(cells) for cells in rows)])
        with tempfile.TemporaryDirectory(dir=tmp_path) as folder:
            run(Path(folder), {"trees.csv": text.encode("utf-8", "replace")})

    holds()
