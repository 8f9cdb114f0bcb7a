"""Files made to do harm, or harmed on the way: archives, XML, databases, workbooks, names, text in every cell."""

from __future__ import annotations

import csv
import gzip
import io
import json
import os
import resource
import sqlite3
import stat
import struct
import subprocess
import sys
import warnings
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import openpyxl
import pyarrow.parquet as pq
import pytest
from variant_site import CORNERS, DEGREES, METRES, Ran, plain_table, pond_frame, refused, right, run, toml_text, typed

ROOT = Path(__file__).resolve().parents[1]
SPOILT_OR = (0, 1)

# ---- archives


def archive(*entries: tuple[str | zipfile.ZipInfo, bytes | str], **how: Any) -> bytes:
    """A zip of these entries."""
    made = io.BytesIO()
    packing = how.get("packing", zipfile.ZIP_DEFLATED)
    with warnings.catch_warnings(), zipfile.ZipFile(made, "w", packing) as packed:
        warnings.simplefilter("ignore")  # of doubled names, which we mean
        for name, content in entries:
            packed.writestr(name, content)
    return made.getvalue()


def entry(name: str, kind: int) -> zipfile.ZipInfo:
    """An entry that is a link, a device or a pipe."""
    about = zipfile.ZipInfo(name)
    about.create_system, about.external_attr = 3, (kind | 0o777) << 16
    return about


def patched(data: bytes, mark: bytes, at: int, value: bytes) -> bytes:
    """A zip with some bytes after the first mark replaced."""
    start = data.index(mark) + at
    return data[:start] + value + data[start + len(value) :]


TABLE = plain_table()


@pytest.mark.parametrize(
    "data",
    [
        archive(("trees.csv", TABLE), packing=zipfile.ZIP_STORED),
        archive(("trees.csv", TABLE), packing=zipfile.ZIP_BZIP2),
        archive(("trees.csv", TABLE), packing=zipfile.ZIP_LZMA),
        archive(("a/b/trees.csv", TABLE), ("__MACOSX/a/b/._trees.csv", b"\0\5\x16\7"), ("readme.pdf", b"%PDF")),
        archive(("\u202evsc.csv", TABLE)),
        archive(("-rf $(id) %2e%2e.csv", TABLE)),
        archive(("trees.csv", TABLE)) + b"trailing" * 9,
        archive(("trees.csv", TABLE), ("big.bin", b"\0" * (64 << 20))),
    ],
    ids=["stored", "bzip2", "lzma", "deep", "turned name", "odd name", "bytes after", "a bomb nobody asked for"],
)
def test_archives_that_are_read(data: bytes, tmp_path: Path) -> None:
    right(run(tmp_path, {"t.zip": data}, trees="t.zip"))


@pytest.mark.parametrize(
    ("data", "word"),
    [
        *(
            (archive((name, TABLE)), "outside")
            for name in ("/a.csv", "../a.csv", "a/../../b.csv", "C:\\a.csv", "x\n.csv")
        ),
        *(
            (archive((entry("t.csv", kind), "/etc/passwd")), "link")
            for kind in (stat.S_IFLNK, stat.S_IFCHR, stat.S_IFIFO)
        ),
        (archive(("trees.csv", TABLE), ("trees.csv", "x")), "twice"),
        (archive(("trees.csv", TABLE), ("TREES.csv", "x")), "twice"),
        (archive(("a.csv", TABLE), ("a.csv/b.csv", TABLE)), "t.zip"),
        (archive(("in.zip", archive(("trees.csv", TABLE)))), "archive inside"),
        (archive(("trees.csv", archive(("trees.csv", TABLE)))), "archive inside"),
        (archive(("trees.csv.gz", gzip.compress(TABLE.encode()))), "archive inside"),
        (archive(*((f"{number}.txt", "x") for number in range(1001))), "entries"),
        (archive(("a.csv", TABLE), ("b.csv", TABLE)), "say which one"),
        (archive(), "no file"),
        (archive(("trees.csv", "")), "empty"),
        (patched(archive(("trees.csv", TABLE)), b"PK\x01\x02", 8, b"\x01"), "password"),
        (patched(archive(("trees.csv", TABLE)), b"PK\x01\x02", 24, struct.pack("<I", 10)), "unpack"),
        (archive(("trees.csv", TABLE * 50))[:-30], "zip packing"),
        (archive(("trees.csv", "<OGRVRTDataSource/>")), "virtual dataset"),
    ],
)
def test_archives_that_are_refused(data: bytes, word: str, tmp_path: Path) -> None:
    refused(run(tmp_path, {"t.zip": data}, trees="t.zip"), "t.zip", word, "(trees.")


def bombs() -> dict[str, bytes]:
    """Small files that unpack to much."""
    spaces = b"\n" * (64 << 20)
    sheet = b'<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>' + spaces
    return {
        "one.zip": archive(("trees.csv", spaces)),
        "many.zip": archive(*((f"{number}.csv", spaces[: 8 << 20]) for number in range(60))),
        "trees.csv.gz": gzip.compress(spaces),
        "sheet.xlsx": archive(("[Content_Types].xml", "<a/>"), ("xl/worksheets/sheet1.xml", sheet)),
        "doc.kmz": archive(("doc.kml", b"<kml>" + spaces)),
        "tag.gpx": b"<gpx><wpt a='" + b"x" * (8 << 20) + b"'/></gpx>",
        "laughs.gpx": b'<!DOCTYPE l [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;">]><gpx><name>&b;</name></gpx>',
    }


LIMITED = """
import resource, sys
resource.setrlimit(resource.RLIMIT_AS, (int(sys.argv[1]),) * 2)
resource.setrlimit(resource.RLIMIT_CPU, (int(sys.argv[2]),) * 2)
from riskmap.cli import main
sys.exit(main(sys.argv[3:]))
"""


def limited(folder: Path, *, gigabytes: int = 3, seconds: int = 30) -> subprocess.CompletedProcess[str]:
    """Run on a folder's site in a process with so much memory and time."""
    words = [sys.executable, "-c", LIMITED, str(gigabytes << 30), str(seconds), "run", str(folder / "site.toml"), "-q"]
    scratch = folder.with_name("tmp")
    scratch.mkdir(exist_ok=True)
    about = {**os.environ, "TMPDIR": str(scratch), "PYTHONPATH": str(ROOT), "OPENBLAS_NUM_THREADS": "1"}
    done = subprocess.run(words, check=False, capture_output=True, text=True, env=about, timeout=120)
    assert not list(scratch.iterdir()), "temporary files were left"
    return done


def test_bombs_are_stopped_within_little_memory_and_time(tmp_path: Path) -> None:
    """Every bomb is named in one line, by one run that may take 3 GB of addresses and 30 s of the processor."""
    site = tmp_path / "site"
    site.mkdir()
    made = bombs()
    layers = [name for name in made if not name.endswith(".xlsx")]
    (site / "trees.csv").write_text(TABLE)
    text = 'date = 2026-10-15\n[trees]\nfile = "trees.csv"\n'
    for name, data in made.items():
        (site / name).write_bytes(data)
    (site / "site.toml").write_text(text + "".join(f'[[layers]]\nrole = "water"\nfile = "{name}"\n' for name in layers))
    done = limited(site)
    assert done.returncode == 1, done.stderr
    assert "Traceback" not in done.stderr
    for name in layers:
        assert f"error: {name}: it" in done.stderr, done.stderr
    (site / "site.toml").write_text(text.replace("trees.csv", "sheet.xlsx"))
    done = limited(site)
    assert (done.returncode, done.stderr.count("\n")) == (1, 1) and "sheet.xlsx: it unpacks to more" in done.stderr
    assert resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss < 2 << 20  # kB


# ---- XML

KML = '<?xml version="1.0"?><kml xmlns="http://www.opengis.net/kml/2.2"><Document>{}</Document></kml>'
RING = " ".join(f"{lon},{lat},0" for lon, lat in CORNERS)
MARK = (
    "<Placemark><name>p</name><Polygon><outerBoundaryIs><LinearRing><coordinates>"
    f"{RING}</coordinates></LinearRing></outerBoundaryIs></Polygon></Placemark>"
)
WPT = "".join(f'<wpt lat="{lat:.9f}" lon="{lon:.9f}"><name>T{i}</name></wpt>' for i, (lon, lat) in enumerate(DEGREES))
GPX = '<gpx version="1.1" creator="x" xmlns="http://www.topografix.com/GPX/1/1">{}</gpx>'
NODES = "".join(
    f'<node id="{i}" lat="{lat:.9f}" lon="{lon:.9f}"/>' for i, (lon, lat) in enumerate(CORNERS[:4], start=1)
)
WAY = '<way id="10">' + "".join(f'<nd ref="{i}"/>' for i in (1, 2, 3, 4, 1)) + '<tag k="natural" v="water"/>{}</way>'
OSM = '<osm version="0.6">' + NODES + "{}</osm>"


@pytest.mark.parametrize(
    "text",
    [
        KML.format("<NetworkLink><Link><href>http://127.0.0.1:9/a.kml</href></Link></NetworkLink>" + MARK),
        KML.format(MARK + MARK.replace(RING, " ".join(RING.split()[:2]))),
        KML.format(MARK + MARK.replace(RING, "a,b c,d")),
        KML.format(MARK.replace(RING, RING.replace(",", ", "))),
        KML.format(MARK).replace("http://www.opengis.net/kml/2.2", "http://earth.google.com/kml/2.1"),
        KML.format("<Placemark><Model><Link><href>/etc/passwd</href></Link></Model></Placemark>" + MARK),
        KML.format(MARK).replace('"1.0"?>', '"1.0" encoding="UTF-16"?>').encode("utf-16"),
    ],
)
def test_kml_in_other_forms(text: str | bytes, tmp_path: Path) -> None:
    right(run(tmp_path, {"w.kml": text}, layer="w.kml"))


@pytest.mark.parametrize(
    "text",
    [
        GPX.format(WPT + '<xi:include xmlns:xi="http://www.w3.org/2001/XInclude" href="file:///etc/passwd"/>'),
        '<?xml-stylesheet href="http://127.0.0.1:9/x.xsl"?>' + GPX.format(WPT),
        GPX.format(WPT.replace("<name>", "<desc><![CDATA[<script>alert(1)</script>]]></desc><name>")),
        GPX.format(WPT + "<a>" * 50_000 + "</a>" * 50_000),
        ('<?xml version="1.0" encoding="UTF-16"?>' + GPX.format(WPT)).encode("utf-16"),
        b'<?xml version="1.0" encoding="ISO-8859-1"?>' + GPX.format(WPT.replace("T1", "é")).encode("latin-1"),
    ],
)
def test_gpx_in_other_forms(text: str | bytes, tmp_path: Path) -> None:
    right(run(tmp_path, {"t.gpx": text}, trees="t.gpx"), metres=METRES)


@pytest.mark.parametrize(
    "way",
    [
        WAY.format('<tag k="a&quot;b" v="=1&lt;{{7*7}}"/>'),
        WAY.format("") + '<way id="11"><nd ref="1"/><nd ref="2"/><nd ref="1"/><tag k="natural" v="water"/></way>',
        WAY.format("") + '<way id="12"><nd ref="1"/><nd ref="2"/></way><relation id="6"><member type="way" ref="12" '
        'role="outer"/><tag k="type" v="multipolygon"/><tag k="natural" v="water"/></relation>',
        WAY.format("") + '<relation id="5"><member type="relation" ref="5" role="outer"/></relation>',
    ],
    ids=["tags", "two-point ring", "open ring", "a relation of itself"],
)
def test_osm_with_bad_rings(way: str, tmp_path: Path) -> None:
    keys = 'layer = "multipolygons"\nkeep = { natural = ["water"] }'
    right(run(tmp_path, {"w.osm": OSM.format(way)}, layer="w.osm", layer_keys=keys), tolerance_m=0.1)


@pytest.mark.parametrize(
    ("name", "text", "word"),
    [
        ("t.gpx", '<!DOCTYPE g [<!ENTITY % p SYSTEM "http://127.0.0.1:9/x.dtd">%p;]>' + GPX.format(WPT), "DOCTYPE"),
        ("t.gpx", GPX.format(WPT + '<wpt lon="5"/>'), "waypoint 4 has no lat"),
        ("t.gpx", GPX.format("<trk/>"), "no waypoints"),
        ("t.gpx", GPX.format(WPT.replace("T1", "&#0;")), "does not read"),
        ("t.gpx", GPX.format(WPT)[:-9], "does not read to the end"),
        ("t.kml", KML.format(MARK).replace('"1.0"?>', '"1.0" encoding="klingon"?>'), "encoding"),
        ("t.kml", "<html><body/></html>", "web page"),
        ("t.osm", OSM.format(WAY.format("")).replace('id="', 'id="-').replace('ref="', 'ref="-'), "below 0"),
        ("t.osc", '<osmChange version="0.6"/>', "root is <osmChange>"),
    ],
)
def test_xml_that_is_refused(name: str, text: str, word: str, tmp_path: Path) -> None:
    refused(run(tmp_path, {name: text}, trees=name), name, word)


# ---- databases


def geopackage(*words: str) -> Callable[[Path], None]:
    """The pond as GeoPackage, changed by SQL."""

    def write(path: Path) -> None:
        pond_frame().to_file(path, driver="GPKG", layer="w")
        with sqlite3.connect(path) as base:
            base.execute("PRAGMA writable_schema = ON")
            for (name,) in base.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
                base.execute(f'DROP TRIGGER "{name}"')
            for word in words:
                base.execute(word)
        base.close()

    return write


def view(body: str) -> tuple[str, ...]:
    """SQL that makes a view and lists it as a layer."""
    return (
        f"CREATE VIEW v AS {body}",
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, srs_id) VALUES ('v', 'features', 'v', 32618)",
        "INSERT INTO gpkg_geometry_columns VALUES ('v', 'geom', 'POLYGON', 32618, 0, 0)",
    )


def virtual(sql: str) -> str:
    """SQL that writes a virtual table into the schema past every check."""
    return f"INSERT INTO sqlite_master VALUES ('table', 'x', 'x', 0, '{sql}')"


@pytest.mark.parametrize(
    "words",
    [
        ("CREATE TRIGGER t AFTER INSERT ON w BEGIN SELECT load_extension('/tmp/x.so'); END",),
        view("SELECT * FROM w"),
        ("ALTER TABLE w ADD COLUMN pressure_any TEXT", "UPDATE w SET pressure_any = '=1+1'"),
        ("UPDATE gpkg_spatial_ref_sys SET srs_name = '{{7*7}}<script>' WHERE srs_id = 32618",),
    ],
)
def test_geopackages_that_are_read(words: tuple[str, ...], tmp_path: Path) -> None:
    layer = 'layer = "v"' if words[0].startswith("CREATE VIEW") else 'layer = "w"'
    right(run(tmp_path, {"w.gpkg": geopackage(*words)}, layer="w.gpkg", layer_keys=layer))


@pytest.mark.parametrize(
    ("words", "word"),
    [
        (view("SELECT load_extension('/tmp/x.so') AS a, geom, fid FROM w"), "does not read"),
        (view("SELECT readfile('/etc/passwd') AS a, geom, fid FROM w"), "does not read"),
        (view("SELECT 1 AS fid, zeroblob(900000000) AS geom"), "view 'v' makes too much"),
        (
            view(
                "WITH RECURSIVE r(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM r) SELECT n AS fid, NULL AS geom FROM r"
            ),
            "view 'v' makes too much, or does not end",
        ),
        ((virtual("CREATE VIRTUAL TABLE x USING VirtualOGR(''/etc/passwd'')"),), "virtual"),
        ((virtual("CREATE /* a */ VIRTUAL -- b\nTABLE x USING/**/VirtualOGR(''/etc/passwd'')"),), "virtual"),
        (("UPDATE gpkg_geometry_columns SET srs_id = -1", "UPDATE gpkg_contents SET srs_id = -1"), "(layers.crs)"),
        (("DROP TABLE gpkg_contents",), "no GeoPackage"),
    ],
    ids=["function", "file", "blob", "endless", "virtual", "virtual behind remarks", "no system", "no contents"],
)
def test_geopackages_that_are_refused(words: tuple[str, ...], word: str, tmp_path: Path) -> None:
    layer = 'layer = "v"' if words[0].startswith("CREATE VIEW") else ""
    refused(run(tmp_path, {"w.gpkg": geopackage(*words)}, layer="w.gpkg", layer_keys=layer), "w.gpkg", word)


@pytest.mark.parametrize("ending", ["-wal", "-journal"])
def test_garbage_beside_a_geopackage_changes_nothing_in_it(ending: str, tmp_path: Path) -> None:
    files = {"w.gpkg": geopackage(), f"w.gpkg{ending}": b"\xd9\xd5\x05\xf9 \xa1c\xd7" + bytes(range(256)) * 20}
    ran = run(tmp_path, files, layer="w.gpkg")
    assert ran.status in SPOILT_OR
    if ran.status == 0:
        right(ran)


# ---- workbooks


def spoilt_workbook(spoil: Callable[[dict[str, bytes]], dict[str, bytes]]) -> bytes:
    """The three trees as XLSX, its parts spoilt."""
    book = openpyxl.Workbook()
    for cells in csv.reader(io.StringIO(TABLE)):
        book.active.append(cells)
    made = io.BytesIO()
    book.save(made)
    with zipfile.ZipFile(made) as packed:
        parts = spoil({name: packed.read(name) for name in packed.namelist()})
    return archive(*parts.items())


SHEET = "xl/worksheets/sheet1.xml"
ENTITY = b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a SYSTEM "file:///etc/passwd">]>'


@pytest.mark.parametrize(
    ("spoil", "word"),
    [
        (lambda parts: {**parts, SHEET: ENTITY + parts[SHEET]}, "DOCTYPE"),
        (lambda parts: {**parts, "docProps/core.xml": ENTITY + b"<x/>"}, "DOCTYPE"),
        (lambda parts: {**parts, SHEET: (ENTITY.decode() + parts[SHEET].decode()).encode("utf-16")}, "DOCTYPE"),
        (lambda parts: {**parts, SHEET: parts[SHEET][:-200]}, "can't be read"),
        (lambda parts: {**parts, SHEET: parts[SHEET].replace(b'r="A2"', b'r="ZZZZ9"')}, "can't be read"),
        (lambda parts: {**parts, SHEET: parts[SHEET].replace(b'r="C2"', b'r="C2" s="999"')}, "can't be read"),
        (lambda parts: {name: part for name, part in parts.items() if name != SHEET}, "rows"),
        (lambda parts: {name: part for name, part in parts.items() if name != "xl/workbook.xml"}, "can't be read"),
        (lambda parts: {"[Content_Types].xml": b"<x/>", "word/document.xml": b"<x/>"}, "office document"),
    ],
)
def test_workbooks_that_are_refused(spoil: Any, word: str, tmp_path: Path) -> None:
    refused(run(tmp_path, {"t.xlsx": spoilt_workbook(spoil)}, trees="t.xlsx"), "t.xlsx", word)


@pytest.mark.parametrize("said", [b"A1:A1", b"A1:XFD1048576"])
def test_a_workbook_that_lies_of_its_size(said: bytes, tmp_path: Path) -> None:
    data = spoilt_workbook(lambda parts: {**parts, SHEET: parts[SHEET].replace(b"A1:D4", said)})
    right(run(tmp_path, {"t.xlsx": data}, trees="t.xlsx"))


def test_a_workbook_with_macros_and_links_is_only_read(tmp_path: Path) -> None:
    more = {"xl/vbaProject.bin": b"\xd0\xcf\x11\xe0", "xl/externalLinks/externalLink1.xml": b"<x/>"}
    right(run(tmp_path, {"t.xlsm": spoilt_workbook(lambda parts: {**parts, **more})}, trees="t.xlsm"))


# ---- shapefiles


@pytest.mark.parametrize(
    ("ending", "spoil", "word"),
    [
        (".dbf", lambda data: data[:4] + struct.pack("<I", 0) + data[8:], ".dbf 0 rows"),
        (".dbf", lambda data: data[:4] + struct.pack("<I", 2**31) + data[8:], ".dbf file is cut off"),
        (".shx", lambda data: data[:100], ".shx has 0 shapes"),
        (".shp", lambda data: data[:-20], ".shp file is cut off"),
    ],
)
def test_shapefiles_whose_parts_disagree(ending: str, spoil: Any, word: str, tmp_path: Path) -> None:
    def write(path: Path) -> None:
        pond_frame().to_file(path)
        part = path.with_suffix(ending)
        part.write_bytes(spoil(part.read_bytes()))

    refused(run(tmp_path, {"w.shp": write}, layer="w.shp"), "w.shp", word)


# ---- text and names

HOSTILE = (
    *("<script>alert(1)</script>", "</script><img src=x onerror=alert(1)>", "{{7*7}}", "${7*7}", "<%= 7*7 %>", "<!--"),
    *("'; DROP TABLE trees;--", "=cmd|'/c calc'!A1", "+1+1", "-2+3", "@SUM(A1)", "%s%n%d", "\u202egnp.exe", "\u200b"),
    *("\x1b[31mred", "😀🌲", "é" * 5000, "../../etc/passwd", "javascript:alert(1)", '"quoted"', "a;b,c|d", "\\", "nan"),
    *("inf", "-9999", "1e400", "&lt;b&gt;", "]]>", "\u2028", "`id`", "$(id)", "%00", "\x7f", "#", "~", "a?b*c[d]"),
)


def rows_of(head: list[str], rows: list[list[str]]) -> bytes:
    """Rows as CSV."""
    made = io.StringIO()
    csv.writer(made).writerows([head, *rows])
    return made.getvalue().encode("utf-8", "surrogatepass")


def test_hostile_text_in_every_cell_comes_out_as_it_went_in_and_never_acts(tmp_path: Path) -> None:
    lon, lat = DEGREES[0]
    names = ["id", "species", "lat", "lon", "Ward", "Form", "Surface", "guard", "planted", "dbh_in", "note"]
    rows = [[cell, cell, f"{lat:.8f}", f"{lon + i * 1e-6:.8f}", *[cell] * 7] for i, cell in enumerate(HOSTILE)]
    keys = 'columns = { group = "Ward", form = "Form", surface = "Surface", guard_now = "guard" }'
    ran = run(
        tmp_path, {"trees.csv": rows_of(names, rows)}, tree_keys=keys, only=("csv", "parquet", "gpkg", "map", "summary")
    )
    assert ran.status == 0, ran.said
    assert pq.read_table(ran.out / "trees.parquet").column("tree_id").to_pylist() == list(HOSTILE)
    for written, cell in zip(ran.column("note"), HOSTILE, strict=True):
        acts = cell[:1] in "=+-@" and cell != "-9999"
        assert written == ("'" + cell if acts else cell)
    page = (ran.out / "map.html").read_text(encoding="utf-8")
    assert "<script>alert(1)" not in page and "<img src=x onerror" not in page


LONG = (
    *("." * 30_000, "1" + " " * 30_000 + "1", "," * 30_000, "(" * 30_000, "{" + "lat 1 " * 5000, '{"Point"' * 4000),
    *("1-" * 15_000, "1/2 " * 8000, "\t" * 30_000 + "1", "POINT(" + "1 " * 15_000, "1,111" * 6000, "a1" * 15_000),
)


def test_long_cells_take_little_time(tmp_path: Path) -> None:
    """Every pattern in every column, within the 20 s of the processor that a run may take here."""
    names = ["id", "species", "lat", "lon", "Ward", "planted", "dbh_in", "Height_m", "age", "location", "note"]
    (lon, lat), rows = DEGREES[0], []
    for cell in LONG:
        for column in range(1, len(names)):
            row = ["T", "Quercus", str(lat), str(lon), *[""] * 7]
            row[column] = cell
            rows.append(row)
    site = tmp_path / "site"
    site.mkdir()
    (site / "trees.csv").write_bytes(rows_of([*names[:-1], LONG[0]], rows))
    (site / "site.toml").write_text('date = 2026-10-15\n[trees]\nfile = "trees.csv"\n')
    done = limited(site, seconds=20)
    assert done.returncode == 0, done.stderr[-2000:]


@pytest.mark.parametrize("name", [name for name in HOSTILE if len(name) < 100])
def test_hostile_headers(name: str, tmp_path: Path) -> None:
    rows = [[f"T{i}", f"{lat:.8f}", f"{lon:.8f}", name] for i, (lon, lat) in enumerate(DEGREES)]
    right(run(tmp_path, {"trees.csv": rows_of(["id", "lat", "lon", name], rows)}, only=("csv", "gpkg")))


FILE_NAMES = (*HOSTILE, "-rf", "--help", ". ", "x" * 240)


@pytest.mark.parametrize(
    "name", [name for name in FILE_NAMES if name.isprintable() and "/" not in name and len(name) < 250]
)
def test_hostile_file_names(name: str, tmp_path: Path) -> None:
    right(run(tmp_path, {f"{name}.csv": TABLE}, trees=f"{name}.csv"))


@pytest.mark.parametrize("name", ["w{{7*7}}<script>", "w'); DROP TABLE x;--{{7*7}}\u202e", 'a"b`c[d]', " "])
def test_hostile_layer_names(name: str, tmp_path: Path) -> None:
    made = {"w.gpkg": lambda path: pond_frame(**{name: [name]}).to_file(path, driver="GPKG", layer=name)}
    right(run(tmp_path, made, layer="w.gpkg", only=("csv", "map", "gpkg")))


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_words_in_a_site_file(text: str, tmp_path: Path) -> None:
    written = toml_text(text)
    ran = run(tmp_path, tree_keys=f"columns = {{ tree_id = {written} }}\nkeep = {{ species = [{written}] }}")
    refused(ran, "there is no column")


@pytest.mark.parametrize("out", ["a\nb", "x\x1b", b"\xff".decode("utf-8", "surrogateescape"), "x" * 300, ""])
def test_output_names_that_are_refused(out: str, tmp_path: Path) -> None:
    ran: Ran = run(tmp_path, words=("--out", str(tmp_path / "site" / out) if out else ""))
    refused(ran, "output folder" if out else "--out")
    assert sorted(path.name for path in ran.folder.iterdir()) == ["site.toml", "trees.csv", "water.geojson"]


def test_a_site_below_a_folder_whose_name_is_no_utf8(tmp_path: Path) -> None:
    place = tmp_path / b"\xff\xfe a\nb!".decode("utf-8", "surrogateescape")
    place.mkdir()
    made = {"w.gpkg": lambda path: path.write_bytes(_pond_bytes(tmp_path))}
    every = ("csv", "parquet", "gpkg", "map", "summary")
    right(run(place, made, layer="w.gpkg", only=every, scratch=tmp_path / "tmp"))


def _pond_bytes(folder: Path) -> bytes:
    """A GeoPackage written under a name that GDAL takes."""
    path = folder / "plain.gpkg"
    pond_frame().to_file(path, driver="GPKG")
    return path.read_bytes()


def test_links_among_the_inputs_are_the_users_word(tmp_path: Path) -> None:
    there = tmp_path / "elsewhere.csv"
    there.write_text(TABLE)
    right(run(tmp_path, {"linked.csv": lambda path: path.symlink_to(there)}, trees="linked.csv"))


@pytest.mark.parametrize(
    "text", ['{"a":1}', "[" * 100_000, json.dumps({"type": "Topology", "objects": {}, "arcs": []})]
)
def test_json_that_is_no_layer(text: str, tmp_path: Path) -> None:
    refused(run(tmp_path, {"w.json": text}, layer="w.json"), "w.json", "(layers.")


@pytest.mark.parametrize("text", ["a = " + "[" * 5000, "a = " + "9" * 5000, "a\0 = 1", "a = nan\n[trees]\nb = inf"])
def test_site_files_that_are_none(text: str, tmp_path: Path) -> None:
    ran = run(tmp_path, more=text)
    refused(ran, "site.toml")


def geodatabase(spoil: Callable[[Path], None]) -> Callable[[Path], None]:
    """The pond as File Geodatabase, spoilt."""

    def write(path: Path) -> None:
        pond_frame().to_file(path, driver="OpenFileGDB")
        spoil(path)

    return write


def cut_tables(path: Path) -> None:
    """Cut the tables in half."""
    for part in path.glob("a0000000[4-9]*"):
        part.write_bytes(part.read_bytes()[: part.stat().st_size // 2])


def test_start_says_what_does_not_open(tmp_path: Path) -> None:
    (tmp_path / "trees.csv").write_text(TABLE)
    geodatabase(cut_tables)(tmp_path / "w.gdb")
    (tmp_path / "w.kml").write_text(KML.format("<Folder>" * 20_000 + "</Folder>" * 20_000))
    geopackage("DELETE FROM gpkg_geometry_columns")(tmp_path / "w.gpkg")
    words = [str(tmp_path / name) for name in ("trees.csv", "w.gdb", "w.kml", "w.gpkg")]
    status, said = typed("start", *words, "--out", str(tmp_path / "site.toml"))
    assert status in (0, 1) and "fault of riskmap" not in said, said
    written = (tmp_path / "site.toml").read_text() if status == 0 else said
    assert all(name in written for name in ("w.gdb", "w.kml", "w.gpkg")) and "does not read" in written


def test_file_geodatabases(tmp_path: Path) -> None:
    for name, spoil, word in (
        ("whole", lambda path: None, ""),
        ("cut", cut_tables, "does not read"),
        ("linked", lambda path: (path / "x.gdbtable").symlink_to("/etc/passwd"), "holds a link"),
    ):
        place = tmp_path / name
        place.mkdir()
        ran = run(place, {"w.gdb": geodatabase(spoil)}, layer="w.gdb")
        if word:
            refused(ran, "w.gdb", word)
            assert "/vcpkg/" not in ran.said
        else:
            right(ran)
