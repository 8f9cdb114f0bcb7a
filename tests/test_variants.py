"""Tables of trees written in other ways than the reproducer cases: letters, signs, numbers, angles, dates, sizes."""

from __future__ import annotations

import gzip
import json
import math
from pathlib import Path
from typing import Any

import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq
import pyproj
import pytest
import shapely
from variant_site import (
    DEGREES,
    METRES,
    PLACES,
    UTM,
    plain_table,
    pond_geojson,
    refused,
    right,
    run,
    table,
    toml_text,
    turned,
)

from riskmap.read.coordinates import parse_degrees
from riskmap.read.dates import parse_date
from riskmap.read.letters import Unsure, read_letters
from riskmap.read.numbers import parse_length

UTM_KEY = f'crs = "{UTM}"'

# ---- letters


@pytest.mark.parametrize(
    "encoding",
    [
        *("utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "utf-32", "utf-32-le", "utf-32-be"),
        *("cp1252", "latin-1", "mac_roman", "cp850"),
    ],
)
def test_letters_of_the_west_are_told(encoding: str, tmp_path: Path) -> None:
    names = ("Grüne Allee", "café Façade", "Åsgatan")
    text = table("id,Straße,lat,lon", lambda i, lon, lat: f"T{i},{names[i - 1]},{lat:.8f},{lon:.8f}")
    ran = run(tmp_path, {"trees.csv": text.encode(encoding)})
    right(ran)
    assert tuple(ran.column("Straße")) == names


@pytest.mark.parametrize(
    ("encoding", "text"),
    [
        ("shift_jis", "名前,桜通り\n表参道,ソ能\nイチョウ,欅"),
        ("euc_jp", "名前,桜通り\n表参道,けやき"),
        ("cp1251", "улица,Берёзовая\nДуб,Липовая аллея"),
        ("koi8_r", "улица,Берёзовая\nДуб,Липовая аллея"),
        ("cp1250", "Ulice,Dębowa\nŁódź,Šumava"),
        ("iso8859_2", "Ulice,Dębowa\nŁódź,Šumava"),
        ("big5", "街道,櫻花路\n大街,樹"),
        ("utf-16-le", "id;Höhe\n1;2"),
    ],
)
def test_letters_of_other_tongues_are_told_by_how_words_look(encoding: str, text: str) -> None:
    assert read_letters(text.encode(encoding))[0] == text


@pytest.mark.parametrize(("encoding", "text"), [("gb2312", "街道,樱花路\n大街,树"), ("euc_kr", "벚꽃길,은행나무")])
def test_letters_that_fit_several_encodings_are_asked_about(encoding: str, text: str, tmp_path: Path) -> None:
    with pytest.raises(Unsure):
        read_letters(text.encode(encoding))
    rows = table(text.partition("\n")[0] + ",lat,lon", lambda i, lon, lat: f"T{i},x,{lat:.8f},{lon:.8f}")
    refused(run(tmp_path, {"trees.csv": rows.encode(encoding)}), "row 1", "encoding", encoding, "(trees.encoding)")


def test_a_few_stray_bytes_do_not_spoil_utf8() -> None:
    text = "Façade, é, à, ü, ö, ä, î, ô, û, ë, ï"
    assert read_letters(text.encode() + b"\xe9")[0] == text + "é"


def test_a_zero_byte_is_named_by_its_line(tmp_path: Path) -> None:
    refused(run(tmp_path, {"trees.csv": plain_table().replace("T2,Quercus", "T2,Quer\0cus")}), "line 3", "NUL")


# ---- signs between cells


@pytest.mark.parametrize("sign", [";", "\t", "|", " ", ":", "^", "~", "¦", "\x01", "\x1f"])
def test_signs_between_cells(sign: str, tmp_path: Path) -> None:
    head = sign.join(("id", "species", "lat", "lon"))
    text = table(head, lambda i, lon, lat: sign.join((f"T{i}", "Quercus", f"{lat:.8f}", f"{lon:.8f}")))
    right(run(tmp_path, {"trees.csv": text}))


def test_columns_of_even_width(tmp_path: Path) -> None:
    text = table("id    species       lat          lon", lambda i, lon, lat: f"T{i}    Quercus   {lat:.8f}   {lon:.8f}")
    right(run(tmp_path, {"trees.csv": text}))


@pytest.mark.parametrize(
    "text",
    [
        plain_table().replace("\n", "\r"),
        plain_table().replace("\n", "\r\n"),
        '"sep=,"\n' + plain_table(),
        "City of Nowhere,,,\nTree list,,,\n\n" + plain_table(),
        plain_table().replace("id,species,lat,lon", '"Tree\nid","Spe\r\ncies","Lat\n(deg)","Long\n(deg)"'),
        plain_table().replace(",", " , "),
        plain_table() + "\x1a",
        plain_table().replace("id,", "\u200bid,"),
    ],
    ids=["CR", "CRLF", "sep", "titles", "line ends in headers", "spaces", "CP/M end", "zero width"],
)
def test_lines_and_headers(text: str, tmp_path: Path) -> None:
    right(run(tmp_path, {"trees.csv": text}))


@pytest.mark.parametrize("sign", ["::", "ab", "\n", '"', "\0"])
def test_a_delimiter_that_is_none_is_refused(sign: str, tmp_path: Path) -> None:
    refused(run(tmp_path, tree_keys=f"delimiter = {json.dumps(sign)}"), "sign", "(trees.delimiter)")


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("id,lat,lon\n", "no row"),
        ("\n\n", "empty"),
        ("id\n1\n", "coordinates"),
        ("id,lat,lon\n1,,\n", "without any value: lat, lon"),
    ],
)
def test_tables_without_trees_or_places_are_refused(text: str, word: str, tmp_path: Path) -> None:
    refused(run(tmp_path, {"trees.csv": text}), "trees.csv", word)


def test_ten_thousand_columns(tmp_path: Path) -> None:
    many = ",".join(f"c{number}" for number in range(10_000))
    cells = ",".join("x" * 10_000)
    text = table(f"id,lat,lon,{many}", lambda i, lon, lat: f"T{i},{lat:.8f},{lon:.8f},{cells}")
    ran = run(tmp_path, {"trees.csv": text}, only=("csv", "gpkg"))
    right(ran)
    assert len(ran.rows[0]) > 10_000
    assert any(taken["topic"] == "columns.gpkg" for taken in ran.record["assumptions"])


# ---- numbers


def grouped(number: float, group: str, point: str, decimals: int = 2) -> str:
    """A number with its thousands parted."""
    return f"{number:,.{decimals}f}".replace(",", "\0").replace(".", point).replace("\0", group)


@pytest.mark.parametrize("decimals", [2, 0])
@pytest.mark.parametrize(
    ("group", "point"), [(".", ","), (",", "."), (" ", "."), ("'", "."), ("\u00a0", ","), ("\u202f", ","), ("’", ".")]
)
def test_thousands_and_decimal_signs(group: str, point: str, decimals: int, tmp_path: Path) -> None:
    places = [
        f"{grouped(east, group, point, decimals)};{grouped(north, group, point, decimals)}" for east, north in PLACES
    ]
    text = "\n".join(["id;easting;northing", *(f"T{i};{place}" for i, place in enumerate(places))])
    right(run(tmp_path, {"trees.csv": text}, tree_keys=UTM_KEY))


@pytest.mark.parametrize(
    "spell",
    [
        lambda number: f"{number:.8e}",
        lambda number: f"+{number:.2f}",
        lambda number: f"{number:.0f} m",
        lambda number: f"'{number:.2f}'",
        lambda number: f"{number:.2f}".translate(str.maketrans("0123456789.", "０１２３４５６７８９．")),
        lambda number: f"{number:.2f}".translate(str.maketrans("0123456789.", "٠١٢٣٤٥٦٧٨٩٫")),
    ],
    ids=["exponent", "plus", "metres", "quotes", "full width", "Arabic"],
)
def test_numbers_in_other_dress(spell: Any, tmp_path: Path) -> None:
    text = "\n".join(["id\teasting\tnorthing", *(f"T{i}\t{spell(x)}\t{spell(y)}" for i, (x, y) in enumerate(PLACES))])
    right(run(tmp_path, {"trees.csv": text}, tree_keys=UTM_KEY))


def test_each_column_may_have_its_own_decimal_sign(tmp_path: Path) -> None:
    text = table(
        "id;lat;lon",
        lambda i, lon, lat: f"T{i};{lat:.8f};{lon:.8f}".replace(f"{lon:.8f}", f"{lon:.8f}".replace(".", ",")),
    )
    right(run(tmp_path, {"trees.csv": text}))


@pytest.mark.parametrize("cell", ["1e400", "nan", "inf", "-9999", "999", "0x2A", "1.2.3", "n/a", ""])
def test_a_cell_that_is_no_place_costs_only_its_row(cell: str, tmp_path: Path) -> None:
    text = table("id,lat,lon", lambda i, lon, lat: f"T{i},{cell},{cell}" if i == 2 else f"T{i},{lat:.8f},{lon:.8f}")
    ran = run(tmp_path, {"trees.csv": text})
    right(ran, metres=(METRES[0], None, METRES[2]))
    assert ran.rows[1]["not_scored"]


@pytest.mark.parametrize("cell", ["18T {}", "{}_0", "({})"])
def test_a_column_in_which_nothing_reads_is_refused(cell: str, tmp_path: Path) -> None:
    text = "\n".join(["id,easting,northing", *(f"T{i},{cell.format(x)},{y}" for i, (x, y) in enumerate(PLACES))])
    refused(run(tmp_path, {"trees.csv": text}, tree_keys=UTM_KEY), "row 2", "column easting", "can't be read")


@pytest.mark.parametrize("heads", [("northing", "easting"), ("y", "x")])
def test_easting_and_northing_exchanged(heads: tuple[str, str], tmp_path: Path) -> None:
    text = "\n".join([f"id,{heads[0]},{heads[1]}", *(f"T{i},{x},{y}" for i, (x, y) in enumerate(PLACES))])
    refused(
        run(tmp_path, {"trees.csv": text}, tree_keys=UTM_KEY), "easting and northing look exchanged", "trees.columns"
    )


@pytest.mark.parametrize("crs", ["EPSG:999999", "IAU_2015:49900", "/etc/passwd", "UTM zone 18N", "EPSG:5703"])
def test_a_wrong_crs_is_told_once(crs: str, tmp_path: Path) -> None:
    text = "\n".join(["id,x,y", *(f"T{i},{x},{y}" for i, (x, y) in enumerate(PLACES))])
    ran = run(tmp_path, {"trees.csv": text}, tree_keys=f"crs = {toml_text(crs)}")
    refused(ran, "(trees.crs)")
    assert len(ran.said.splitlines()) == 1


# ---- angles

ANGLES = {
    "letter last": "{d}°{m}'{s:.5f}\"{h}",
    "letter first": "{h} {d}° {m}′ {s:.5f}″",
    "signed": "{sign}{d}°{m}'{s:.5f}\"",
    "colons": "{sign}{d}:{m}:{s:.5f}",
    "spaces": "{sign}{d} {m} {s:.5f}",
    "minutes": "{d}°{minutes:.6f}'{h}",
    "degrees and letter": "{a:.8f}° {h}",
    "words": "{d} degrees {m} minutes {s:.5f} seconds {word}",
    "short words": "{d} deg {m} min {s:.5f} sec {h}",
    "d m s": "{d}d{m}m{s:.5f}s{h}",
    "degree words": "{a:.8f} degrees {h}",
    "dashes": "{d}-{m}-{s:.5f}{h}",
    "a word for the hemisphere": "{word} {d}°{m}'{s:.5f}\"",
    "a stop after the letter": "{d}°{m}'{s:.5f}\" {h}.",
    "stars": "{d}*{m}'{s:.5f}\"{h}",
    "decimal comma": "{d}°{m}'{comma}\"{h}",
}


def spelt(angle: float, letters: str, form: str) -> str:
    """An angle in one of the spellings."""
    a = abs(angle)
    d, m = int(a), int((a - int(a)) * 60)
    s = (a - d - m / 60) * 3600
    h = letters[0] if angle >= 0 else letters[1]
    word = {"N": "North", "S": "South", "E": "East", "W": "West"}[h]
    comma = f"{s:.5f}".replace(".", ",")
    sign = "-" if angle < 0 else ""
    return form.format(a=a, d=d, m=m, s=s, minutes=(a - d) * 60, h=h, word=word, comma=comma, sign=sign)


@pytest.mark.parametrize("side", [(1, 1), (-1, -1)], ids=["north west", "south east"])
@pytest.mark.parametrize("form", sorted(ANGLES))
def test_angles_in_every_spelling_on_both_sides(form: str, side: tuple[int, int], tmp_path: Path) -> None:
    text = table(
        "id\tlat\tlon",
        lambda i, lon, lat: (
            f"T{i}\t{spelt(lat * side[1], 'NS', ANGLES[form])}\t{spelt(lon * side[0], 'EW', ANGLES[form])}"
        ),
    )
    shape = turned(shapely.from_geojson(json.dumps(json.loads(pond_geojson())["geometry"])), *side)
    right(run(tmp_path, {"trees.csv": text, "water.geojson": shapely.to_geojson(shape)}))


# ---- places in one cell


def moved(lon: float, lat: float, code: int) -> str:
    """The numbers of a place in another CRS, as WKT has them."""
    return "{:.4f} {:.4f}".format(*pyproj.Proj(f"EPSG:{code}")(lon, lat))


IN_ONE_CELL = {
    "WKT": lambda lon, lat: f"POINT ({lon} {lat})",
    "small letters": lambda lon, lat: f"point(  {lon}   {lat} )",
    "Z": lambda lon, lat: f"POINT Z ({lon} {lat} 12)",
    "ZM": lambda lon, lat: f"POINTZM({lon} {lat} 12 3)",
    "a multipoint of one": lambda lon, lat: f"MULTIPOINT(({lon} {lat}))",
    "EWKT": lambda lon, lat: f"SRID=4326;POINT({lon} {lat})",
    "EWKT in metres": lambda lon, lat: f"SRID=32618;POINT({moved(lon, lat, 32618)})",
    "WKB": lambda lon, lat: shapely.to_wkb(shapely.Point(lon, lat), hex=True),
    "EWKB": lambda lon, lat: shapely.to_wkb(
        shapely.set_srid(shapely.Point(lon, lat), 4326), hex=True, include_srid=True
    ),
    "WKB as a database prints it": lambda lon, lat: "\\x" + shapely.to_wkb(shapely.Point(lon, lat), hex=True).lower(),
    "GeoJSON": lambda lon, lat: json.dumps({"type": "Point", "coordinates": [lon, lat]}),
    "lat, lon": lambda lon, lat: f"({lat}, {lon})",
    "letters": lambda lon, lat: f"{lat}° N, {-lon}° W",
    "after an address": lambda lon, lat: f"12 Main St Town ({lat}, {lon})",
    "names": lambda lon, lat: f"{{'latitude': '{lat}', 'longitude': '{lon}'}}",
    "geo": lambda lon, lat: f"geo:{lat},{lon}",
}


@pytest.mark.parametrize("form", sorted(IN_ONE_CELL))
def test_places_in_one_cell(form: str, tmp_path: Path) -> None:
    text = table("id\tlocation", lambda i, lon, lat: f"T{i}\t{IN_ONE_CELL[form](lon, lat)}")
    right(run(tmp_path, {"trees.csv": text}))


def test_a_table_of_one_column(tmp_path: Path) -> None:
    right(run(tmp_path, {"trees.csv": table("wkt", lambda i, lon, lat: f"POINT ({lon} {lat})")}))


def test_a_header_says_that_longitude_comes_first(tmp_path: Path) -> None:
    right(run(tmp_path, {"trees.csv": table("id\tlonlat", lambda i, lon, lat: f"T{i}\t{lon} {lat}")}))


@pytest.mark.parametrize("srid", ["999999", "32618"])
def test_srids_that_name_no_one_system_are_asked_about(srid: str, tmp_path: Path) -> None:
    text = table("id\tgeom", lambda i, lon, lat: f"T{i}\tSRID={srid if i == 1 else 4326};POINT({lon} {lat})")
    refused(run(tmp_path, {"trees.csv": text}), "SRID", srid, "(trees.crs)")


# ---- ids, dates, sizes


def test_ids_come_out_as_they_went_in(tmp_path: Path) -> None:
    ids = ["1e5", "007", "1E3", "0x1F", "1.0", "1.50", "+5", "TRUE", "NaN", "null", "12345678901234567890", "1,5", "00"]
    lon, lat = DEGREES[0]
    text = "id;lat;lon\n" + "".join(f"{one};{lat:.8f};{lon:.8f}\n" for one in ids)
    ran = run(tmp_path, {"trees.csv": text}, only=("csv", "parquet"))
    assert ran.column("tree_id") == ids
    assert pq.read_table(ran.out / "trees.parquet").column("tree_id").to_pylist() == ids


@pytest.mark.parametrize(
    ("text", "date"),
    [
        *(("3-avr-2025", "2025-04-03"), ("3 maj 2020", "2020-05-03"), ("1. März 2021", "2021-03-01")),
        *(("12 juil. 2020", "2020-07-12"), ("5 Okt 2019", "2019-10-05"), ("Mon Apr 3 2025", "2025-04-03")),
        *(("2025-W14-4", "2025-04-03"), ("2025-093", "2025-04-03"), ("201904", "2019-04"), ("Q2 2025", "2025")),
        *(("1743638400", "2025-04-03"), ("2025-04-03T10:00:00Z", "2025-04-03"), ("2025年4月3日", "2025-04-03")),
        *(("Thu, 03 Apr 2025 00:00:00 GMT", "2025-04-03"), ("ca. 2019", "2019"), ("2019?", "2019")),
        *(("25-04-03", ""), ("31/02/2025", ""), ("9999-12-31", ""), ("2025-W54", ""), ("2025-366", "")),
    ],
)
def test_dates_of_other_forms(text: str, date: str) -> None:
    assert parse_date(text)[0] == date


@pytest.mark.parametrize(
    ("text", "length"),
    [
        *(("2 1/2 in", (2.5, "in", "exact")), ("2½", (2.5, "", "exact")), ('2-1/2"', (2.5, "in", "exact"))),
        *(("3–6 in", (4.5, "in", "banded")), ("3 to 6", (4.5, "", "banded")), ("30+ in", (30.0, "in", "open"))),
        *(("5ft 6in", (5.5, "ft", "exact")), ("~4 cm", (4.0, "cm", "exact")), ("<3", (1.5, "", "banded"))),
    ],
)
def test_lengths_of_other_forms(text: str, length: tuple[float, str, str]) -> None:
    assert parse_length(text) == length


@pytest.mark.parametrize("text", ["3/4/5", "multi 3,4", "two", "3,4,5"])
def test_several_stems_in_a_cell_are_no_length(text: str) -> None:
    assert parse_length(text)[2] == "odd"


# ---- workbooks and Parquet


def workbook(build: Any) -> Any:
    """Write a workbook that `build` has filled."""

    def write(path: Path) -> None:
        book = openpyxl.Workbook()
        build(book, book.active)
        book.save(path)

    return write


def fill(sheet: Any, head: tuple[Any, ...] = ("id", "species", "lat", "lon"), top: int = 1, left: int = 1) -> None:
    """Write the three trees into a sheet."""
    rows = [head, *((f"T{i}", "Quercus", lat, lon) for i, (lon, lat) in enumerate(DEGREES, start=1))]
    for down, cells in enumerate(rows):
        for right_by, cell in enumerate(cells):
            sheet.cell(top + down, left + right_by, cell)


def second_sheet(book: Any, first: Any) -> None:
    first["A1"] = "read me"
    fill(book.create_sheet("Trees"))


def hidden_sheet(book: Any, first: Any) -> None:
    fill(first, head=("id", "species", "lon", "lat"))
    first.sheet_state = "hidden"
    fill(book.create_sheet("now"))
    book.active = 1


def merged_title(_: Any, sheet: Any) -> None:
    sheet["A1"] = "City trees"
    sheet.merge_cells("A1:D1")
    fill(sheet, top=3)


def far_cell(_: Any, sheet: Any) -> None:
    fill(sheet)
    sheet.cell(200_000, 16_384, "x")


@pytest.mark.parametrize(
    "build",
    [
        lambda _, sheet: fill(sheet, top=5, left=3),
        second_sheet,
        hidden_sheet,
        merged_title,
        far_cell,
        lambda _, sheet: fill(sheet, head=("Tree\nid", "Spe\ncies", "Lat\n(WGS84)", "Long\n(WGS84)")),
    ],
    ids=["offset", "second sheet", "hidden sheet", "merged title", "far cell", "line ends"],
)
def test_workbooks_as_people_have_them(build: Any, tmp_path: Path) -> None:
    right(run(tmp_path, {"t.xlsx": workbook(build)}, trees="t.xlsx"))


def test_formulas_saved_without_their_results(tmp_path: Path) -> None:
    def formulas(_: Any, sheet: Any) -> None:
        fill(sheet)
        for row in (2, 3, 4):
            sheet.cell(row, 3, f"=1+{row}")

    refused(run(tmp_path, {"t.xlsx": workbook(formulas)}, trees="t.xlsx"), "t.xlsx", "without any value: lat")


def test_ids_and_macros_of_a_workbook(tmp_path: Path) -> None:
    def numbers(_: Any, sheet: Any) -> None:
        fill(sheet)
        for row, value in enumerate((7, "007", 1e5), start=2):
            sheet.cell(row, 1, value)
        sheet.cell(2, 1).number_format = "000"

    ran = run(tmp_path, {"t.xlsm": workbook(numbers)}, trees="t.xlsm")
    right(ran)
    assert ran.column("tree_id") == ["007", "007", "100000"]


def test_arrow_types_of_every_kind(tmp_path: Path) -> None:
    columns = {
        "tree_id": pa.array(["a", "b", "c"], pa.string_view()),
        "lat": pa.array([f"{lat:.8f}" for _, lat in DEGREES]).dictionary_encode(),
        "lon": pa.array([f"{lon:.8f}" for lon, _ in DEGREES], pa.large_string()),
        "planted": pa.array([-3_000_000, 20_000, None], pa.date32()),
        "nested": pa.array([{"a": [1]}] * 3),
        "u64": pa.array([2**64 - 1] * 3, pa.uint64()),
        "raw": pa.array([b"\xff"] * 3),
        "took": pa.array([5] * 3, pa.duration("s")),
        "none": pa.nulls(3),
    }
    ran = run(
        tmp_path,
        {"t.parquet": lambda path: pq.write_table(pa.table(columns), path)},
        trees="t.parquet",
        only=("csv", "parquet", "gpkg", "map"),
    )
    right(ran)


def test_parquet_with_two_columns_of_one_name(tmp_path: Path) -> None:
    lon, lat = ([f"{place[axis]:.8f}" for place in DEGREES] for axis in (0, 1))
    table = pa.table([["a", "b", "c"], lon, lat, list("uvw"), list("xyz")], names=["tree_id", "lon", "lat", "w", "w"])
    ran = run(tmp_path, {"t.parquet": lambda path: pq.write_table(table, path)}, trees="t.parquet")
    right(ran)
    assert (ran.column("w"), ran.column("w_2")) == (list("uvw"), list("xyz"))


@pytest.mark.parametrize("pieces", [1, 2])
def test_gz_in_one_or_more_pieces(pieces: int, tmp_path: Path) -> None:
    data = plain_table().encode()
    cut = len(data) // pieces
    packed = b"".join(gzip.compress(data[at : at + cut]) for at in range(0, len(data), cut))
    right(run(tmp_path, {"trees.csv.gz": packed}, trees="trees.csv.gz"))


@pytest.mark.parametrize("text", ["1" * 400 + "*01", "9" * 400 + " N", "0 " + "9" * 400])
def test_an_angle_of_hundreds_of_figures_is_none(text: str) -> None:
    assert math.isnan(parse_degrees(text)[0])
