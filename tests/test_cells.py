"""Cells of trees files: numbers, lengths, dates, coordinates, and the text of a CSV itself."""

from __future__ import annotations

import datetime as dt
import math

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from riskmap.errors import InputError
from riskmap.read.coordinates import coarse_step, parse_degrees, read_axis, read_pairs
from riskmap.read.dates import ages_at, parse_date, read_dates
from riskmap.read.delimited import read_delimited
from riskmap.read.numbers import decimal_sign, parse_length, parse_number, read_lengths, read_numbers
from riskmap.read.rows import texts_of, unguard


@pytest.mark.parametrize(
    ("cells", "values"),
    [
        (["1", " 2.5 ", "", None, "-3e2"], [1, 2.5, None, None, -300]),
        (["4,683,085.803", "499,175"], [4683085.803, 499175]),
        (["42,30000000", "-75,01"], [42.3, -75.01]),
        (["1.234,5", "2,5"], [1234.5, 2.5]),
        (["4 683 085,5"], [4683085.5]),
        (["4\u202f683\u202f085.5"], [4683085.5]),
        (["1'234'567.5"], [1234567.5]),
        (["\u22125.5"], [-5.5]),
        (["inf", "nan", "1e999", "0x10", "1_000"], [None] * 5),
        (["-9999", "7"], [None, 7]),
        (["1.5.2", "3"], [None, 3]),
    ],
)
def test_numbers(cells: list[str | None], values: list[float | None]) -> None:
    found = read_numbers(pa.array(cells, pa.string())).value
    np.testing.assert_array_equal(found, [math.nan if value is None else value for value in values])


def test_numbers_tell_missing_words_from_nonsense() -> None:
    found = read_numbers(pa.array(["N/A", "-", "?", "", "tall", "3"]))
    assert found.word.tolist() == [True, True, True, False, False, False]
    assert found.odd.tolist() == [False, False, False, False, True, False]


def test_a_thousand_or_a_decimal_comma_is_not_guessed() -> None:
    assert decimal_sign(["1,234", "5"]) == "?"
    assert np.isnan(read_numbers(pa.array(["1,234"])).value[0])
    assert read_numbers(pa.array(["1,234"]), decimal=",").value[0] == 1.234
    assert read_numbers(pa.array(["1,234"]), decimal=".").value[0] == 1234


@given(st.floats(allow_nan=False, allow_infinity=False, width=64))
@settings(max_examples=100, deadline=None)
def test_a_number_written_is_the_number_read(number: float) -> None:
    assert parse_number(repr(number)) == number
    assert parse_number(repr(number).replace(".", ","), ",") == number


@pytest.mark.parametrize(
    ("text", "value", "unit", "kind"),
    [
        ("2 in", 2, "in", "exact"),
        ('2.5"', 2.5, "in", "exact"),
        ("2.5″", 2.5, "in", "exact"),
        ("2-1/2 inches", 2.5, "in", "exact"),
        ("1½ in.", 1.5, "in", "exact"),
        ("3/4 in", 0.75, "in", "exact"),
        ("6 cm", 6, "cm", "exact"),
        ("64mm", 64, "mm", "exact"),
        ("5'6\"", 5.5, "ft", "exact"),
        ("6 ft 3 in", 6.25, "ft", "exact"),
        ("6'", 6, "ft", "exact"),
        ("3-6 in", 4.5, "in", "banded"),
        ("3 to 6", 4.5, "", "banded"),
        ('3"-6"', 4.5, "in", "banded"),
        ("0–3", 1.5, "", "banded"),
        ("< 3 in", 1.5, "in", "banded"),
        ("> 30", 30, "", "open"),
        ("30+", 30, "", "open"),
        ("36 in and over", 36, "in", "open"),
        ("~2 in", 2, "in", "exact"),
        ("2 in?", 2, "in", "exact"),
    ],
)
def test_lengths(text: str, value: float, unit: str, kind: str) -> None:
    assert parse_length(text) == (pytest.approx(value), unit, kind)


@pytest.mark.parametrize("text", ["oak", "6-3 in", "3 in - 6 cm", "2 gallons", "#5", "5/2", "in", "2 in 3", "=1+1"])
def test_what_is_no_length(text: str) -> None:
    assert parse_length(text)[2] == "odd"


def test_units_of_cells_come_before_the_unit_of_the_column() -> None:
    cells = pa.array(["2 in", "5 cm", "25 mm", "1.5", "", "0"])
    found = read_lengths(cells, unit="", to="mm")
    np.testing.assert_allclose(found.value[:3], [50.8, 50, 25])
    assert found.bare.tolist() == [False, False, False, True, False, False]
    np.testing.assert_allclose(read_lengths(cells, unit="ft", to="mm").value[3], 457.2)


def test_decimal_signs_inside_ranges_and_units() -> None:
    np.testing.assert_allclose(read_lengths(pa.array(["3.5-6.5 in."]), unit="", to="in").value, [5])
    np.testing.assert_allclose(read_lengths(pa.array(["3,5 cm", "2,25 cm"]), unit="", to="cm").value, [3.5, 2.25])


@pytest.mark.parametrize(
    ("text", "iso"),
    [
        ("2025-04-03", "2025-04-03"),
        ("2025-04-03T14:00:00Z", "2025-04-03"),
        ("2025/4/3", "2025-04-03"),
        ("2025-04", "2025-04"),
        ("2025", "2025"),
        ("20250403", "2025-04-03"),
        ("13/04/2025", "2025-04-13"),
        ("04/13/2025", "2025-04-13"),
        ("04/04/2025", "2025-04-04"),
        ("03.04.2025", "2025-04-03"),
        ("3 Apr 2025", "2025-04-03"),
        ("April 3rd, 2025", "2025-04-03"),
        ("Apr-2025", "2025-04"),
        ("04/2025", "2025-04"),
        ("spring 2024", "2024"),
        ("Fall 2022", "2022"),
        ("45000", "2023-03-15"),  # the 1900 system of spreadsheets: serial 1 is 1900-01-01, with its false 29 February
        ("45000.5", "2023-03-15"),
        ("1743638400000", "2025-04-03"),
        ("12/25/70", "1970-12-25"),
        ("12/25/21", "2021-12-25"),
    ],
)
def test_dates_of_one_reading(text: str, iso: str) -> None:
    assert parse_date(text) == (iso, "exact")


@pytest.mark.parametrize("text", ["soon", "31/02/2025", "2025-13-01", "99", "-", "1/2", "12345678901", "3000-01-01"])
def test_what_is_no_date(text: str) -> None:
    assert parse_date(text)[1] == "odd"


@pytest.mark.parametrize("text", ["0", "1/1/1900", "1899-12-30", "1970-01-01T00:00:00"])
def test_dates_that_databases_write_for_none(text: str) -> None:
    assert parse_date(text) == ("", "blank")


def test_two_readings_keep_the_year_only() -> None:
    assert parse_date("03/04/2025") == ("2025", "two")
    assert parse_date("03/04/2025", "day_first") == ("2025-04-03", "exact")
    assert parse_date("03/04/2025", "month_first") == ("2025-03-04", "exact")
    assert parse_date("04/13/2025", "day_first") == ("2025-04-13", "exact")


@given(
    st.dates(dt.date(1950, 1, 1), dt.date(2099, 12, 31)),
    st.sampled_from(["%Y-%m-%d", "%d %b %Y", "%B %d, %Y", "%d.%m.%Y"]),
)
@settings(max_examples=60, deadline=None)
def test_a_date_written_is_the_date_read(date: dt.date, form: str) -> None:
    assert parse_date(date.strftime(form)) == (date.isoformat(), "exact") or date == dt.date(1970, 1, 1)


def test_typed_dates_and_ages() -> None:
    typed = pa.array([dt.date(2024, 10, 15), None], pa.date32())
    assert read_dates(typed).text.to_pylist() == ["2024-10-15", None]
    assert read_dates(pa.array([2021.0, None])).text.to_pylist() == ["2021", None]
    ages = ages_at(pa.array(["2024-10-15", "2026-12-01", "2020", None]), dt.date(2026, 10, 15))
    np.testing.assert_allclose(ages, [2, 0, 6.29, np.nan], atol=0.01)


@pytest.mark.parametrize(
    ("text", "degrees"),
    [
        ("42°18'00.0000\"N", 42.3),
        ("75º00′34.6903″W", -(75 + 34.6903 / 3600)),
        ("42°18’00.1620’’N", 42 + 18 / 60 + 0.162 / 3600),
        ("N 42 18 00.5", 42 + 18 / 60 + 0.5 / 3600),
        ("42:18:00", 42.3),
        ("42d18m00s N", 42.3),
        ("42° 18.5' N", 42 + 18.5 / 60),
        ("-75 30 00", -75.5),
        ("42.3 N", 42.3),
        ("75,5° W", -75.5),
        ("33 51 30 S", -(33 + 51 / 60 + 30 / 3600)),
    ],
)
def test_degrees_in_every_spelling(text: str, degrees: float) -> None:
    assert parse_degrees(text)[0] == pytest.approx(degrees, abs=1e-9)


@pytest.mark.parametrize("text", ["42°75'00\"N", "oak", "42°18'99\"", "N42N", "", "1 2 3 4"])
def test_what_is_no_angle(text: str) -> None:
    assert math.isnan(parse_degrees(text)[0])


def test_points_in_one_column() -> None:
    found = read_pairs(pa.array(["POINT (-75.01 42.3)", "SRID=4326;POINT Z(1 2 3)", "MULTIPOINT((5 6))", "", "oak"]))
    np.testing.assert_array_equal(found.x, [-75.01, 1, 5, np.nan, np.nan])
    np.testing.assert_array_equal(found.y, [42.3, 2, 6, np.nan, np.nan])
    assert found.odd.tolist() == [False, False, False, False, True]
    several = read_pairs(pa.array(["MULTIPOINT((1 2),(3 4))", "POLYGON((0 0,1 0,1 1,0 0))"]))
    assert several.shapes.tolist() == [True, True]
    pair = read_pairs(pa.array(["(42.3, -75.01)", "42.4, -75.02"]))
    assert (pair.how, pair.x.tolist(), pair.y.tolist()) == ("lat, lon", [-75.01, -75.02], [42.3, 42.4])
    assert read_pairs(pa.array(["-122.5, 45.5"])).how == "lon, lat"


def test_coarse_coordinates() -> None:
    rng = np.random.default_rng(1)
    x, y = -75 + rng.random(50) / 10, 42 + rng.random(50) / 10
    assert not coarse_step(x, y, degrees=True)[0].any()
    assert not coarse_step(x.round(5), y.round(5), degrees=True)[0].any()
    coarse, step_m = coarse_step(x.round(3), y.round(3), degrees=True)
    assert coarse.all() and step_m == pytest.approx(111, abs=1)
    assert coarse_step((x * 1e4).round(-2), (y * 1e4).round(-2), degrees=False)[1] == 100
    assert not coarse_step((x * 1e4).round(0), (y * 1e4).round(0), degrees=False)[0].any()


ROWS = [["T1", "Chêne, bicolore", "1"], ["T2", 'by the "old"\ngate', "2"], ["T3", "", "3"]]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252", "utf-32"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_encodings_and_delimiters_are_found(encoding: str, delimiter: str) -> None:
    import csv
    import io

    out = io.StringIO()
    csv.writer(out, delimiter=delimiter, lineterminator="\r\n").writerows([["id", "species", "n"], *ROWS])
    rows = read_delimited(out.getvalue().encode(encoding), file="t.csv")
    assert rows.table.column_names == ["id", "species", "n"]
    assert [list(row.values()) for row in rows.table.to_pylist()] == ROWS
    assert rows.row.tolist() == [2, 3, 5]


cells = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\r\n\x00\x1e"), max_size=8)


@given(
    st.lists(
        st.tuples(cells, cells, cells).filter(lambda row: any(cell.strip() for cell in row)), min_size=1, max_size=6
    )
)
@settings(max_examples=80, deadline=None)
def test_what_is_written_is_read(rows: list[tuple[str, str, str]]) -> None:
    import csv
    import io

    out = io.StringIO()
    csv.writer(out, quoting=csv.QUOTE_ALL, lineterminator="\n").writerows([("a", "b", "c"), *rows])
    found = read_delimited(out.getvalue().encode(), file="t.csv", delimiter=",")
    guarded = unguard(pa.table({str(i): [row[i] for row in rows] for i in range(3)}))
    assert [tuple(row.values()) for row in found.table.to_pylist()] == [
        tuple(row.values()) for row in guarded.to_pylist()
    ]


def test_lines_of_a_csv() -> None:
    text = "Trees of a town\n\nid,lat,lon\nT1,1,2\n\n,,\nT2,3,4,,\nT3,5\nT4,6,7,x\n"
    rows = read_delimited(text.encode(), file="t.csv")
    assert rows.row.tolist() == [4, 7, 8, 9]
    assert rows.left_out == (5, 6)
    assert rows.ragged.tolist() == [False, False, False, True]
    assert rows.table["lon"].to_pylist() == ["2", "4", "", "7"]


def test_headers_that_are_blank_or_stand_twice() -> None:
    rows = read_delimited(b" id ,DBH,DBH,\n1,2,3,4\n", file="t.csv")
    assert rows.table.column_names == ["id", "DBH", "DBH_2", "column_4"]


def test_a_quote_that_never_closes_is_a_fault() -> None:
    with pytest.raises(InputError, match=r"t.csv, row 2: a quote"):
        read_delimited(b'id,a\n1,"oak\n2,elm\n', file="t.csv")


@pytest.mark.parametrize("encoding", ["rot13", "zip", "hex", "utf-9"])
def test_only_encodings_of_text(encoding: str) -> None:
    with pytest.raises(InputError, match="is no encoding we know"):
        read_delimited(b"id,a\n1,2\n", file="t.csv", encoding=encoding)


def test_one_apostrophe_is_taken_off_guarded_cells() -> None:
    """The law of the design: what a writer of ours guards reads back the same."""
    texts = ["=1+1", "+a", "-b", "@c", "\tx", "'=y", "''=z", "plain", "'tis", "-5", "-75.01", ""]
    written = [
        f"'{text}" if text.lstrip("'")[:1] in tuple("=+-@\t\r") and math.isnan(parse_number(text)) else text
        for text in texts
    ]
    assert unguard(pa.table({"a": written}))["a"].to_pylist() == texts


# ------------------------------------------------------------------------------------------- columns of other types

PAIRS = pa.map_(pa.string(), pa.int64())
DAYS, LISTS, MAPS = pa.array([0, None], pa.date32()), pa.array([[1], None]), pa.array([[("a", 1)], None], PAIRS)
FLAGS, BYTES = pa.array([True, None]), pa.array([b"a", None])


@pytest.mark.parametrize("cells", [DAYS, LISTS, MAPS, FLAGS, BYTES], ids=["days", "lists", "maps", "flags", "bytes"])
def test_what_is_no_number_in_a_column_of_another_type_is_said_too(cells: pa.Array) -> None:
    """Parquet and GeoPackage have columns of days, flags and lists; such a cell is not understood, not empty."""
    for found in (read_lengths(cells, unit="mm", to="mm"), read_numbers(cells), read_axis(cells)[0]):
        assert np.isnan(found.value).all() and found.odd.tolist() == [True, False]


def test_a_length_below_nothing_is_not_understood_whatever_its_type() -> None:
    for cells in (pa.array([-5.0, 2.0, None]), pa.array([-5, 2, None]), pa.array(["-5", "2", ""])):
        found = read_lengths(cells, unit="cm", to="mm")
        np.testing.assert_array_equal(found.value, [np.nan, 20, np.nan])
        assert found.odd.tolist() == [True, False, False]


def test_ids_and_dates_out_of_rare_types() -> None:
    assert texts_of(pa.array(np.array([7, 1.5], np.float16))).to_pylist() == ["7", "1.5"]
    found = read_dates(MAPS)
    assert found.text.to_pylist() == [None, None] and found.odd.tolist() == [True, False]
