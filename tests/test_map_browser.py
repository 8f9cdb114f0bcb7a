"""map.html in a real browser, from disk, with nothing else to ask."""

from __future__ import annotations

import csv
import dataclasses
import io
import os
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyproj
import pytest
import rasterio
import shapely
from affine import Affine
from conftest import ORIGIN, UTM, make_settings
from map_browser import Browser, why_not
from map_factory import city_result, planted_result, river_result
from map_hostile import PAYLOADS, hostile_result

from riskmap.deliver.html_map import ground, many, map_page
from riskmap.model import MapSettings
from riskmap.model.logbook import LOG_COLUMNS

pytestmark = pytest.mark.skipif(bool(why_not()), reason=why_not() or "a browser is here")
PHONE: dict[str, Any] = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True}


@pytest.fixture(scope="module")
def browser():
    found = Browser()
    yield found
    found.close()


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("maps")


@pytest.fixture(scope="module")
def river(folder: Path) -> Path:
    return _save(folder / "river.html", map_page(river_result()))


@pytest.fixture(scope="module")
def city(folder: Path) -> Path:
    return _save(folder / "city.html", map_page(city_result(20_000)))


def _save(file: Path, data: bytes) -> Path:
    file.write_bytes(data)
    return file


# Opens, from disk, asking for nothing


@pytest.mark.parametrize("name", ["river", "city"])
def test_opens_with_one_request_and_no_complaint(browser: Browser, name: str, request: pytest.FixtureRequest) -> None:
    file = request.getfixturevalue(name)
    with browser.open(file) as seen:
        assert seen.requests == [file.as_uri()]
        assert seen.complaints == []
        assert seen.text("#rm-shown") == {"river": "212 trees", "city": "20,000 trees"}[name]
        assert _ink_in(seen, "canvas") > 500
        assert seen.js("[...document.querySelectorAll('[id]')].map(e => e.id)") == list(
            dict.fromkeys(seen.js("[...document.querySelectorAll('[id]')].map(e => e.id)"))
        )


@pytest.mark.parametrize("n", [0, 1, 3])
def test_opens_with_few_trees_or_none(browser: Browser, folder: Path, n: int) -> None:
    with browser.open(_save(folder / f"few{n}.html", map_page(river_result(n)))) as seen:
        assert seen.complaints == []
        assert seen.text("#rm-shown") == f"{n} {'tree' if n == 1 else 'trees'}"
        assert seen.js("rm.map.getZoom()") <= 19
        assert seen.js("document.querySelectorAll('.leaflet-rmGround-pane path').length") > 5


def test_opens_where_base64_is_not_built_in(browser: Browser, city: Path) -> None:
    with browser.open(city, before="delete Uint8Array.fromBase64") as seen:
        assert seen.complaints == []
        assert seen.text("#rm-shown") == "20,000 trees"


def test_a_browser_too_old_is_told_so_in_words(browser: Browser, city: Path, river: Path) -> None:
    with browser.open(city, before="delete window.DecompressionStream", ready=False) as seen:
        seen.page.wait_for_timeout(300)
        assert "too old to unpack" in seen.text("#rm-fail")
        assert "Read this first" in seen.text("#about")
    with browser.open(river, before="delete window.DecompressionStream") as seen:
        assert seen.complaints == []


def test_a_script_that_does_not_parse_leaves_a_sentence(browser: Browser, folder: Path, river: Path) -> None:
    broken = river.read_bytes().replace(b'"use strict";\n/* Unfolds', b'"use strict"; ?=?\n/* Unfolds', 1)
    broken = re.sub(rb'http-equiv="Content-Security-Policy" content="[^"]*"', b"", broken)
    with browser.open(_save(folder / "broken.html", broken), ready=False) as seen:
        seen.page.wait_for_timeout(200)
        assert "could not draw the map" in seen.text("#rm-fail")
        assert seen.page.locator("table.summary").is_visible()


def test_without_scripts_there_is_a_picture_and_a_summary(browser: Browser, river: Path) -> None:
    with browser.open(river, ready=False, java_script_enabled=False) as seen:
        assert seen.page.locator("svg.still").is_visible()
        assert seen.page.locator("table.summary").is_visible()
        assert not seen.page.locator("#desk").is_visible()
        assert not seen.page.locator("#trees").is_visible()


# Nothing of the user's runs


@pytest.mark.parametrize("payload", PAYLOADS)
def test_hostile_text_is_shown_and_never_runs(browser: Browser, folder: Path, payload: str) -> None:
    shown = payload.replace("@@MARK@@", str(folder / "ran"))
    file = _save(folder / "hostile.html", map_page(hostile_result(shown)))
    with browser.open(file) as seen:
        seen.js("choose(0, { move: true })")
        seen.js(
            """for (const box of document.querySelectorAll("#rm-ground input, #rm-reach input"))
                 if (!box.checked && !box.closest("li").textContent.includes("Online")) box.click()"""
        )
        seen.js("for (const mode of rm.modes) setMode(mode.key); setMode('guard')")
        seen.js("byId('rm-find').value = idOf(0); byId('rm-find-form').requestSubmit()")
        seen.page.locator(".tick.done").click()
        seen.js("document.querySelector('.field textarea').value = idOf(0)")
        seen.js("document.querySelector('form.field').requestSubmit()")
        seen.js("beforePrint(); afterPrint()")
        middle = seen.screen_place("latLngOf(0)")
        seen.page.mouse.move(middle[0] + 3, middle[1] + 1)
        seen.page.wait_for_timeout(120)
        assert (
            seen.js(
                "window.PWN === undefined && document.querySelectorAll('img, iframe, object, #stage script').length"
            )
            == 0
        )
        assert seen.requests == [file.as_uri()]
        assert seen.complaints == []
        assert seen.dialogs == []
        literal = shown.replace("\x00", "\ufffd").strip()
        assert seen.js("document.querySelector('h1').textContent").strip() == literal
        name = shown.replace("\x00", " ").replace("\n", " ")
        assert seen.js("document.querySelector('.card h2').textContent") == name
        assert seen.js("document.querySelector('#rm-table tbody th').textContent") == name
        assert seen.js("document.querySelector('.card .guard').textContent") == shown
        assert seen.js("document.querySelector('#rm-filters select option:nth-child(2)').textContent").startswith(shown)
        assert seen.js("ticksCsv()").count("\n") >= 2
    assert not (folder / "ran").exists()


# Symbols, dots, hexagons


def test_the_kind_of_drawing_follows_the_spacing(browser: Browser, city: Path) -> None:
    with browser.open(city) as seen:
        kinds = {}
        for zoom in (8, 11, 13, 15, 17, 19):
            seen.js("zoom => rm.map.setView(latLngOf(rm.n >> 1), zoom, { animate: false })", zoom)
            kinds[zoom] = seen.js("rm.trees.kind")
            assert _ink_in(seen, "canvas") > 20
        order = ["hexagons", "dots", "symbols"]
        found = [order.index(kind) for kind in kinds.values()]
        assert found == sorted(found)
        assert set(found) == {0, 1, 2}


@pytest.mark.parametrize("zoom", [13.5, 16, 19])
def test_the_tree_under_the_pointer_is_the_one_that_is_found(browser: Browser, city: Path, zoom: float) -> None:
    with browser.open(city) as seen:
        seen.js("zoom => rm.map.setView(latLngOf(7000), zoom, { animate: false })", zoom)
        assert seen.js("rm.trees.kind") in ("dots", "symbols")
        for tree in (7000, 7001, 7010):
            found = seen.js(
                "i => { const p = rm.map.latLngToLayerPoint(latLngOf(i)), j = rm.trees.treeAt(p); "
                "const q = j < 0 ? null : rm.map.latLngToLayerPoint(latLngOf(j)); return [j, q && p.distanceTo(q)] }",
                tree,
            )
            assert found[0] == tree or found[1] < 1  # another may stand on the same pixel
        box = seen.screen_place("latLngOf(7000)")
        seen.page.mouse.click(*box)
        seen.wait("rm.chosen >= 0")
        apart = seen.js(
            "rm.map.latLngToLayerPoint(latLngOf(rm.chosen)).distanceTo(rm.map.latLngToLayerPoint(latLngOf(7000)))"
        )
        assert apart < 2


def test_a_hexagon_zooms_in_and_counts_its_trees(browser: Browser, city: Path) -> None:
    with browser.open(city) as seen:
        seen.js("rm.map.setView(rm.map.getCenter(), 9, { animate: false })")
        assert seen.js("rm.trees.kind") == "hexagons"
        assert seen.js("[...rm.trees._hexes.values()].reduce((sum, hex) => sum + hex.n, 0)") == 20_000
        assert "Each hexagon gathers trees" in seen.text("#rm-kind")
        box = seen.screen_place("rm.trees.hexPlace(rm.trees._hexes.values().next().value)")
        seen.page.mouse.click(*box)
        seen.wait("rm.map.getZoom() > 10")


def test_an_overview_is_drawn_where_trees_are_left_out(
    browser: Browser, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(many, "MOST_TREES", 5_000)
    monkeypatch.setattr(many, "WORST_TREES", 2_000)
    with browser.open(_save(folder / "many.html", map_page(city_result(6_000)))) as seen:
        assert seen.complaints == []
        assert seen.text("#rm-shown") == "2,000 of 6,000 trees shown"
        seen.js("void rm.map.setView(rm.map.getCenter(), 10, { animate: false })")
        seen.page.wait_for_timeout(100)
        assert seen.js("rm.trees.kind") == "overview"
        inked = """[...document.querySelectorAll(".leaflet-rmOverview-pane canvas")].map(canvas => {
          const cells = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height).data;
          return cells.some(value => value > 0) })"""
        assert seen.js(inked) == [True]
        seen.js("void rm.map.setView(latLngOf(5), 18, { animate: false })")
        assert seen.js("rm.trees.kind") == "symbols"
        assert seen.js("rm.map.getPane('rmOverview').style.display") == "none"


# Key, filters, search, table


def test_filters_change_key_head_and_table_alike(browser: Browser, river: Path) -> None:
    result = river_result()
    with browser.open(river) as seen:
        seen.page.select_option("#rm-mode", "beaver")
        bands = result.bands[:, result.pressure.agents.index("beaver")]
        counts = [
            int(word.replace(",", ""))
            for word in seen.js("[...document.querySelectorAll('#rm-key .count')].map(e => e.textContent)")
        ]
        assert counts == [int((bands == band).sum()) for band in (0, 1, 2, 3, 4, -1)]
        seen.js("(() => { const box = byId('rm-least'); box.value = 3; box.dispatchEvent(new Event('input')) })()")
        strong = int((bands >= 3).sum())
        assert seen.text("#rm-shown") == f"{strong} of 212 trees shown"
        assert seen.text("#rm-least-word") == "strong or more"
        seen.wait(f"byId('rm-caption').textContent.startsWith('{strong} trees')")
        seen.page.select_option("#rm-unscored", "only")
        assert seen.text("#rm-shown") == f"{int((bands < 0).sum())} of 212 trees shown"
        seen.page.click("#rm-reset")
        assert seen.text("#rm-shown") == "212 trees"
        seen.page.select_option("#rm-filter-1", label="Ward 2 (53)")
        assert seen.text("#rm-shown") == "53 of 212 trees shown"
        seen.page.click("#rm-reset")
        seen.page.select_option("#rm-mode", "guard")
        first = seen.page.locator("#rm-key li").first
        number = int(first.locator(".count").inner_text())
        first.locator("input").uncheck()
        assert seen.text("#rm-shown") == f"{212 - number} of 212 trees shown"
        assert int(first.locator(".count").inner_text()) == number
        seen.page.click("#rm-reset")
        seen.page.locator(".chip").first.click()
        fit = result.choices.action.texts().count("fit")
        assert seen.text("#rm-shown") == f"{fit} of 212 trees shown"
        assert seen.complaints == []


def test_every_way_of_colouring_draws_and_explains_itself(browser: Browser, river: Path) -> None:
    with browser.open(river) as seen:
        keys = seen.js("rm.modes.map(mode => mode.key)")
        assert keys == ["guard", "action", "worst", *river_result().pressure.agents]
        for key in keys:
            seen.page.select_option("#rm-mode", key)
            assert _ink_in(seen, "canvas") > 200
            total = sum(
                int(word.replace(",", ""))
                for word in seen.js("[...document.querySelectorAll('#rm-key .count')].map(e => e.textContent)")
            )
            assert total == 212
        seen.page.select_option("#rm-mode", "rabbit")
        assert "Its ground was not surveyed" in seen.text("#rm-mode-note")


def test_search_shows_the_tree_even_through_a_filter(browser: Browser, river: Path) -> None:
    with browser.open(river) as seen:
        seen.page.select_option("#rm-filter-1", index=1)
        hidden = seen.js("[...Array(rm.meta.grid.placed).keys()].find(i => !rm.shown[i])")
        name = seen.js("i => idOf(i)", hidden)
        seen.page.fill("#rm-find", name.lower())
        seen.page.press("#rm-find", "Enter")
        assert seen.js("rm.chosen") == hidden
        assert seen.js("rm.shown[rm.chosen]") == 1
        assert seen.js("rm.map.getBounds().contains(latLngOf(rm.chosen))")
        seen.page.fill("#rm-find", "no such tree")
        seen.page.press("#rm-find", "Enter")
        assert "No tree id holds" in seen.text("#rm-found")


def test_table_and_map_show_the_same_tree(browser: Browser, river: Path) -> None:
    with browser.open(river) as seen:
        seen.wait("document.querySelectorAll('#rm-table tbody tr').length === 25")
        button = seen.page.locator("#rm-table tbody tr").nth(3).locator("th button")
        name = button.inner_text()
        button.click()
        assert seen.text(".card h2") == name
        assert seen.js("document.querySelector('#rm-table .chosen th').textContent") == name
        last = seen.js("sorting.order[sorting.order.length - 1]")
        if seen.js("i => hasPlace(i)", last):
            seen.js("i => choose(i)", last)
            assert seen.js("document.querySelector('#rm-table .chosen th').textContent") == seen.js(
                "i => idOf(i)", last
            )
        seen.js("sortBy('id')")
        ids = seen.js("[...sorting.order].map(idOf)")
        assert ids == sorted(ids)
        assert seen.js("document.querySelector('#rm-table th[aria-sort=ascending]').textContent").startswith("Tree")
        numbers = seen.js("(() => { const own = numberOrder(); return own === null ? 'words' : 'numbers' })()")
        assert numbers == "words"
        unplaced = seen.js("rm.meta.grid.placed")
        seen.js("i => choose(i, { from: 'table' })", unplaced)
        assert "no place on the map" in seen.text("#rm-dock")
        assert seen.complaints == []


@pytest.mark.parametrize("size", [(1280, 800), (390, 844)], ids=["desktop", "phone"])
def test_ids_are_never_broken_in_the_middle(browser: Browser, folder: Path, size: tuple[int, int]) -> None:
    ids = [f"PK-{number:06d} NE-4" for number in range(60)]
    file = _save(folder / "ids.html", map_page(river_result(60, tree_id=pa.array(ids, pa.string()))))
    with browser.open(file, viewport={"width": size[0], "height": size[1]}) as seen:
        seen.wait("document.querySelectorAll('#rm-table tbody tr').length === 25")
        lines = "[...document.querySelectorAll('#rm-table tbody th button')].map(e => e.getClientRects().length)"
        high = "[...document.querySelectorAll('#rm-table tbody th button')].map(e => e.offsetHeight)"
        assert set(seen.js(lines)) == {1}
        assert max(seen.js(high)) < 40
        assert seen.js("document.documentElement.scrollWidth <= innerWidth")


def test_where_trees_crowd_each_is_a_dot_until_the_map_is_nearer(browser: Browser, folder: Path) -> None:
    rows = np.array([[100.0 + 3 * (i % 10), 100.0 + 3 * (i // 10)] for i in range(100)])
    apart = np.array([[100.0 + 90 * i, 500.0] for i in range(8)])
    file = _save(folder / "crowd.html", map_page(planted_result(np.vstack([rows, apart]))))
    with browser.open(file, viewport={"width": 390, "height": 844}) as seen:
        assert seen.js("rm.trees.kind") == "symbols"
        assert seen.js("rm.trees.crowded") == 100
        assert "each is a dot" in seen.js("byId('rm-kind').textContent")
        seen.js("rm.map.setView(latLngOf(0), 21, { animate: false })")
        seen.wait("rm.trees.crowded === 0")
        assert seen.js("byId('rm-kind').textContent") == "Each symbol is one tree."


def test_symbols_shrink_where_they_would_lie_on_each_other(browser: Browser, folder: Path) -> None:
    """A block at 7 m beside trees far apart: every tree keeps its symbol, and none of the block reaches another."""
    block = np.array([[100.0 + 7 * (i % 10), 100.0 + 7 * (i // 10)] for i in range(100)])
    apart = np.array([[100.0 + 42 * i, 400.0] for i in range(8)])
    file = _save(folder / "block.html", map_page(planted_result(np.vstack([block, apart]))))
    with browser.open(file, viewport={"width": 390, "height": 844}) as seen:
        told = seen.js(
            "(() => { const t = rm.trees, frame = t._frame();"
            "const order = Array.from(t._inView(frame, t._bounds.getSize()));"
            "const { dots, halves } = t._crowded(frame, order, t.symbolSize());"
            "return { dots: [...dots], halves: [...halves], full: t.symbolSize(),"
            "places: order.map(i => [frame.left + rm.x[i] * frame.k, frame.top + rm.y[i] * frame.k]) }; })()"
        )
    places, halves = np.array(told["places"]), np.array(told["halves"])
    far = np.sort(np.linalg.norm(places[:, None] - places[None], axis=2), axis=1)[:, 1]
    inside = far < 2 * told["full"]
    assert len(places) == 108 and inside.sum() == 100 and not any(told["dots"])
    assert (2 * halves[inside] <= far[inside] + 0.5).all()
    assert halves.min() >= 3.4 and np.allclose(halves[~inside], told["full"])


def test_numbers_as_ids_are_sorted_by_size(browser: Browser, city: Path) -> None:
    with browser.open(city) as seen:
        seen.js("sortBy('id')")
        ids = seen.js("[...sorting.order].map(i => Number(idOf(i)))")
        assert ids == sorted(ids)
        assert seen.js("numberOrder() !== null")


def test_the_card_says_all_that_matters(browser: Browser, river: Path) -> None:
    result = river_result()
    tree = next(
        at
        for at, (here, guard, left) in enumerate(
            zip(result.site.trees.placed, result.choices.guard.codes, result.choices.agents_open.codes, strict=True)
        )
        if here and guard >= 0 and left >= 0
    )
    with browser.open(river) as seen:
        seen.js("name => show(findIds(name, 1)[0])", f"R{tree + 1:03d}")
        said = " ".join(seen.js("document.querySelector('.card').textContent").split())
        for words in (
            result.site.trees.table.species.texts()[tree],
            result.choices.guard.texts()[tree],
            result.choices.reason.texts()[tree],
            "Left open: deer browse",
            "On in November",
            "Not scored: rabbit, spray drift",
            "Water: ",
            "Block ",
            "judgement",
        ):
            assert words in said
        bands = seen.js("[...document.querySelectorAll('.pressures .word')].map(e => e.textContent)")
        assert bands == sorted(bands, key=["severe", "strong", "some", "slight"].index)


# Reach, ground, background


def test_reach_areas_are_drawn_when_asked_for(browser: Browser, river: Path) -> None:
    with browser.open(river) as seen:
        assert seen.js("document.querySelectorAll('.leaflet-rmReach-pane path').length") == 0
        box = seen.page.locator("#rm-reach li").filter(has_text="Beaver").locator("input")
        box.check()
        assert seen.js("document.querySelectorAll('.leaflet-rmReach-pane path').length") >= 1
        box.uncheck()
        assert seen.js("document.querySelectorAll('.leaflet-rmReach-pane path').length") == 0
        assert seen.complaints == []


def test_the_users_own_picture_lies_where_it_belongs(browser: Browser, folder: Path) -> None:
    cells = np.zeros((3, 300, 300), dtype=np.uint8)
    cells[0] = 200  # red all over, and a blue square 100 m wide in the middle
    cells[:, 125:175, 125:175] = np.array([0, 0, 220])[:, None, None]
    corner = Affine(2.0, 0.0, ORIGIN[0], 0.0, -2.0, ORIGIN[1] + 600)
    with rasterio.open(
        folder / "photo.tif",
        "w",
        driver="GTiff",
        width=300,
        height=300,
        count=3,
        dtype="uint8",
        crs=UTM,
        transform=corner,
    ) as file:
        file.write(cells)
    named = make_settings(file=folder / "site.toml", map=MapSettings(background="photo.tif"))
    with browser.open(_save(folder / "photo.html", map_page(river_result(60, settings=named)))) as seen:
        assert seen.complaints == []
        assert len(seen.requests) == 2  # the page, and the picture out of its own memory
        assert seen.requests[1].startswith("blob:")
        seen.page.wait_for_timeout(200)
        places = np.array([[300, 300], [300, 362], [238, 300], [300, 338]], dtype=float) + ORIGIN
        lon, lat = pyproj.Transformer.from_crs(UTM, "EPSG:4326", always_xy=True).transform(places[:, 0], places[:, 1])
        seen.js(
            """for (const box of document.querySelectorAll("#rm-ground input"))
                 if (box.checked && !box.closest("li").textContent.includes("picture")) box.click()"""
        )
        seen.js("rm.shown.fill(0); rm.trees.draw()")
        for (east, north), colour in zip(zip(lon, lat, strict=True), ["blue", "red", "red", "blue"], strict=True):
            seen.js("at => rm.map.setView([at[1], at[0]], 18, { animate: false })", [east, north])
            red, _, blue = _pixel_at_middle(seen)
            assert (blue > red) == (colour == "blue")


def test_tiles_are_asked_for_only_when_ticked_and_fail_quietly(browser: Browser, folder: Path) -> None:
    named = make_settings(
        map=MapSettings(tiles="https://tiles.invalid/{z}/{x}/{y}.png", attribution="<b>A. Nobody</b>")
    )
    file = _save(folder / "tiles.html", map_page(river_result(5, settings=named)))
    with browser.open(file) as seen:
        assert seen.requests == [file.as_uri()]
        seen.page.locator("#rm-ground li").filter(has_text="Online background (tiles.invalid)").locator("input").check()
        assert seen.text("#rm-attribution") == "<b>A. Nobody</b>"
        seen.wait("byId('rm-ground').textContent.includes('could not be reached')")
        assert all(address.startswith("https://tiles.invalid/") for address in seen.requests[1:])
        assert not [words for words in seen.complaints if "net::ERR" not in words]
        assert seen.text("#rm-shown") == "5 trees"


# Print


@pytest.mark.parametrize(
    ("units", "paper"), [("metric", "A4 landscape"), ("metric", "A4 portrait"), ("us", "letter landscape")]
)
def test_the_sheet_is_one_page_at_a_scale_that_a_ruler_confirms(
    browser: Browser, folder: Path, units: str, paper: str
) -> None:
    for tool in ("pdfinfo", "pdfimages", "pdftoppm"):
        if not shutil.which(tool):
            pytest.skip(f"{tool} (poppler-utils) is not here")
    file = _save(
        folder / f"print-{units}.html", map_page(river_result(settings=make_settings(units=units, title="Sheet")))
    )
    with browser.open(file) as seen:
        seen.page.select_option("#rm-paper", paper)
        _check_scale_on_the_ground(seen)
        sheet = folder / "sheet.pdf"
        seen.page.pdf(path=sheet, prefer_css_page_size=True)
        denominator = seen.js("rm.printScale")
        assert f"1:{denominator:,}" in seen.js("byId('rm-print-scale').textContent")
        assert seen.js("rm.printing") is False
        assert seen.complaints == []
        words = seen.js("byId('rm-print-key').textContent")
        assert "Water" in words
        assert "Sprayed area" not in words
    about = subprocess.run(["pdfinfo", sheet], capture_output=True, text=True, check=True).stdout
    assert re.search(r"Pages:\s+1\b", about)
    wide, high = (float(word) for word in re.search(r"Page size:\s+([\d.]+) x ([\d.]+)", about).groups())
    short, tall = (595.3, 841.9) if "A4" in paper else (612, 792)
    expected = (tall, short) if "landscape" in paper else (short, tall)
    assert (wide, high) == pytest.approx(expected, abs=1.5)
    pictures = subprocess.run(["pdfimages", "-list", sheet], capture_output=True, text=True, check=True).stdout
    assert max(int(line.split()[12]) for line in pictures.splitlines()[2:]) >= 250  # pixels an inch of the trees
    subprocess.run(["pdftoppm", "-r", "254", "-png", "-singlefile", sheet, sheet.with_suffix("")], check=True)
    with rasterio.open(sheet.with_suffix(".png")) as drawn:
        cells = drawn.read([1, 2, 3]).astype(int)  # 10 pixels a millimetre
    water = np.abs(cells - np.array([0xCF, 0xE1, 0xEA])[:, None, None]).max(axis=0) <= 3
    assert water.mean() > 0.02  # the ground is not wiped by the trees' canvas
    metres = 0.3048 if units == "us" else 1.0
    bar_mm = _first_bar_m(words_of_bars=_bars(browser, file, paper), unit_m=metres) * 1000 / denominator
    assert bar_mm * 10 == pytest.approx(_longest_near(cells, bar_mm * 10), abs=6)


def test_much_ground_prints_too(browser: Browser, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Past fifty thousand vertices the ground is a canvas of its own, which must neither wipe nor be wiped."""
    if not shutil.which("pdftoppm"):
        pytest.skip("pdftoppm (poppler-utils) is not here")
    monkeypatch.setattr(ground, "TOLERANCE_M", 1e-6)
    monkeypatch.setattr(ground, "STEP_M", 0.005)
    result = river_result(30)
    woods = [
        shapely.Point(x + ORIGIN[0], y + ORIGIN[1]).buffer(30, quad_segs=5000)
        for x, y in ((100, 400), (500, 420), (300, 380))
    ]
    (old,) = (layer for layer in result.site.layers if layer.role == "deer_habitat")
    data = dataclasses.replace(old.data, width_m=np.full(3, np.nan), feature=np.arange(1, 4))
    new = dataclasses.replace(old, data=data, geometry=np.array(woods))
    layers = tuple(new if layer is old else layer for layer in result.site.layers)
    result = dataclasses.replace(result, site=dataclasses.replace(result.site, layers=layers))
    with browser.open(_save(folder / "much.html", map_page(result))) as seen:
        assert seen.complaints == []
        assert seen.js("document.querySelectorAll('.leaflet-rmGround-pane canvas').length") == 1
        seen.js("document.querySelector('#rm-reach input').click()")
        sheet = folder / "much.pdf"
        seen.page.pdf(path=sheet, prefer_css_page_size=True)
    subprocess.run(["pdftoppm", "-r", "100", "-png", "-singlefile", sheet, sheet.with_suffix("")], check=True)
    with rasterio.open(sheet.with_suffix(".png")) as drawn:
        cells = drawn.read([1, 2, 3]).astype(int)
    for colour in ((0xCF, 0xE1, 0xEA), (0xC6, 0xD6, 0xB5)):
        assert (np.abs(cells - np.array(colour)[:, None, None]).max(axis=0) <= 3).mean() > 0.004


def _bars(browser: Browser, file: Path, paper: str) -> str:
    with browser.open(file) as seen:
        seen.page.select_option("#rm-paper", paper)
        seen.js("beforePrint()")
        return seen.js("document.querySelector('#rm-scale .scale span').textContent")


def _first_bar_m(words_of_bars: str, unit_m: float) -> float:
    number, unit = words_of_bars.replace(",", "").split()
    return float(number) * {"m": 1.0, "km": 1000.0, "ft": 0.3048, "mi": 1609.344}[unit] * (unit_m / unit_m)


def _longest_near(cells: np.ndarray, wanted: float) -> float:
    """Length of the run of ink in the lower left quarter of the sheet that comes nearest to what is wanted."""
    high, wide = cells.shape[1:]
    ink = (cells.max(axis=0) < 110)[high // 2 :, : wide // 2]
    best = -1e9
    for row in ink:
        edges = np.flatnonzero(np.diff(np.r_[0, row.astype(int), 0]))
        for length in (edges[1::2] - edges[::2]).tolist():
            if abs(length - wanted) < abs(best - wanted):
                best = length
    return float(best)


def _check_scale_on_the_ground(seen: Any) -> None:
    """Two points 100 CSS pixels apart on the sheet are as far apart on the ground as the scale says."""
    seen.js("beforePrint()")
    (lon1, lat1), (lon2, lat2) = seen.js(
        """[-50, 50].map(off => {
             const size = rm.map.getSize(), place = rm.map.containerPointToLatLng([size.x / 2 + off, size.y / 2]);
             return [place.lng, place.lat];
           })"""
    )
    _, _, ground_m = pyproj.Geod(ellps="WGS84").inv(lon1, lat1, lon2, lat2)
    on_paper_m = 100 * 0.0254 / 96
    # The page's circle of latitude is a sphere's: up to 0.34 % off the ellipsoid.
    assert ground_m / on_paper_m == pytest.approx(seen.js("rm.printScale"), rel=4e-3)
    seen.js("afterPrint()")


# Field


def test_ticks_are_kept_and_saved_with_the_columns_of_the_log(browser: Browser, river: Path) -> None:
    with browser.open(river, accept_downloads=True) as seen:
        seen.page.fill("#rm-observer", "=cmd()")
        seen.page.press("#rm-observer", "Tab")
        seen.js("show(10)")
        seen.page.locator(".tick.damaged").click()
        seen.page.select_option(".field [name=agent]", "vole")
        seen.page.fill(".field [name=circumference_percent]", "40")
        seen.page.fill(".field [name=date]", "2026-11-02")
        seen.page.fill(".field textarea", 'half "gnawed",\nlow')
        seen.page.locator(".field .main").click()
        seen.js("show(11)")
        seen.page.locator(".tick.done").click()
        seen.page.fill(".field [name=date]", "2026-11-03")
        seen.page.locator(".field .main").click()
        assert "2 ticked" in seen.text("#rm-field-status")
        name, guard = seen.js("[ownId(10), planOf(11).guard]")
        seen.page.reload()
        seen.wait("document.documentElement.classList.contains('ready')")
        assert "2 ticked: 1 damaged, 1 done" in seen.text("#rm-field-status")
        with seen.page.expect_download() as saved:
            seen.page.click("#rm-export")
        rows = list(csv.DictReader(io.StringIO(Path(saved.value.path()).read_text("utf-8-sig"), newline="")))
        assert list(rows[0]) == list(LOG_COLUMNS)
        assert saved.value.suggested_filename.endswith(".csv")
        damaged, done = rows
        assert (damaged["tree_id"], damaged["status"], damaged["agent"], damaged["date"]) == (
            name,
            "damaged",
            "vole",
            "2026-11-02",
        )
        assert damaged["circumference_percent"] == "40"
        assert damaged["note"].replace("\r\n", "\n") == 'half "gnawed",\nlow'
        assert damaged["observer"] == "'=cmd()"
        assert (done["status"], done["guard"], done["installed_on"]) == ("done", guard, "2026-11-03")
        seen.js("show(10)")
        seen.page.locator(".tick.damaged").click()
        seen.page.get_by_text("Remove tick").click()
        assert "1 ticked" in seen.text("#rm-field-status")
        assert seen.complaints == []


def test_where_am_i_works_if_allowed_and_says_so_if_not(browser: Browser, river: Path) -> None:
    lon, lat = pyproj.Transformer.from_crs(UTM, "EPSG:4326", always_xy=True).transform(ORIGIN[0] + 300, ORIGIN[1] + 170)
    allowed = {"geolocation": {"longitude": lon, "latitude": lat, "accuracy": 6}, "permissions": ["geolocation"]}
    with browser.open(river, **allowed) as seen:
        seen.js("byId('rm-where').click()")
        seen.wait("byId('rm-field-status').textContent.includes('You are here')")
        assert "nearest shown tree R" in seen.text("#rm-field-status")
        seen.js("byId('rm-where').click()")
        assert seen.js("byId('rm-where').getAttribute('aria-pressed')") == "false"
    with browser.open(river) as seen:
        seen.js("byId('rm-where').click()")
        seen.wait("/does not allow|does not know/.test(byId('rm-field-status').textContent)")
        assert seen.complaints == []


# Access


def test_everything_is_reached_by_keyboard(browser: Browser, river: Path) -> None:
    with browser.open(river) as seen:
        seen.page.keyboard.press("Tab")
        assert seen.js("document.activeElement.textContent") == "Skip to the table of trees"
        reached = set()
        for _ in range(140):
            seen.page.keyboard.press("Tab")
            reached.add(seen.js("document.activeElement.id || document.activeElement.className"))
        assert {
            "rm-mode",
            "rm-least",
            "rm-find",
            "rm-reset",
            "rm-observer",
            "rm-where",
            "rm-paper",
            "rm-print",
        } <= reached
        assert {"rm-in", "rm-out", "rm-whole"} <= reached
        seen.js("rm.map.getContainer().focus()")
        seen.page.keyboard.press("Enter")
        assert seen.js("rm.chosen") >= 0
        assert seen.js("byId('rm-live').textContent").startswith("Tree R")
        assert seen.js("document.activeElement === rm.map.getContainer()")
        seen.page.keyboard.press("Escape")
        assert seen.js("rm.chosen") == -1
        seen.page.wait_for_timeout(400)  # the map makes room for the card with a movement of its own
        before = seen.js("rm.map.getCenter().lng")
        seen.page.keyboard.press("ArrowRight")
        seen.wait(f"rm.map.getCenter().lng > {before}")
        zoom = seen.js("rm.map.getZoom()")
        seen.page.keyboard.press("+")
        seen.wait(f"rm.map.getZoom() > {zoom}")


@pytest.mark.parametrize("wide", [320, 390, 1280])
def test_nothing_runs_off_the_side(browser: Browser, river: Path, wide: int) -> None:
    with browser.open(river, viewport={"width": wide, "height": 640}) as seen:
        assert seen.js("document.documentElement.scrollWidth") <= wide
        seen.js("show(3)")
        if wide < 800:
            assert seen.page.locator("#rm-dock .card").is_visible()
            seen.page.click("#rm-dock .close")
            seen.page.click("#rm-open-key")
            assert seen.js("document.activeElement.id") == "rm-close-key"
            seen.page.wait_for_timeout(250)
            assert seen.js("byId('panel').scrollWidth <= byId('panel').clientWidth + 1")
            seen.page.keyboard.press("Escape")
            assert seen.js("document.activeElement.id") == "rm-open-key"


def test_targets_on_a_phone_are_as_wide_as_a_thumb(browser: Browser, river: Path) -> None:
    with browser.open(river, **PHONE) as seen:
        seen.page.click("#rm-open-key")
        small = seen.js(
            """[...document.querySelectorAll("#top a, button, select, #panel .key label")]
                 .filter(e => !e.closest("#trees") && e.offsetParent && e.getBoundingClientRect().height < 43.5)
                 .map(e => e.outerHTML.slice(0, 80))"""
        )
        assert small == []


def test_forced_colours_keep_symbols_and_words(browser: Browser, river: Path) -> None:
    with browser.open(river, forced_colors="active") as seen:
        assert seen.complaints == []
        assert seen.js("getComputedStyle(document.querySelector('#rm-key .symbol')).forcedColorAdjust") == "none"
        assert _ink_in(seen, "canvas") > 500


@pytest.mark.parametrize("size", ["desktop", "phone"])
def test_axe_finds_nothing(browser: Browser, river: Path, size: str) -> None:
    script = os.environ.get("RISKMAP_AXE", "")
    if not Path(script).is_file():
        pytest.skip("axe-core is not here: RISKMAP_AXE names its axe.min.js (npm package axe-core)")
    with browser.open(river, **(PHONE if size == "phone" else {})) as seen:
        seen.js(Path(script).read_text("utf-8"))
        steps = ["", "show(3)", "document.querySelector('.tick.damaged').click()"]
        steps += ["choose(-1); openKey(true)"] if size == "phone" else ["setMode('beaver')"]
        for step in steps:
            seen.js(step or "0")
            seen.page.wait_for_timeout(350)
            found = seen.js(
                """axe.run(document, {
                     runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
                   }).then(told => told.violations.map(each =>
                     [each.id, each.nodes.map(node => node.html.slice(0, 120)), each.nodes[0].failureSummary]))"""
            )
            assert found == []


def _ink_in(seen: Any, selector: str) -> int:
    """How many pixels of a canvas are drawn on."""
    return seen.js(
        """selector => {
             const canvas = document.querySelector(".leaflet-rmTrees-pane " + selector);
             const context = canvas.getContext("2d");
             const cells = context.getImageData(0, 0, canvas.width, canvas.height).data;
             let inked = 0;
             for (let at = 3; at < cells.length; at += 4) if (cells[at]) inked++;
             return inked;
           }""",
        selector,
    )


def _pixel_at_middle(seen: Any) -> tuple[int, int, int]:
    """Colour that the map shows in its middle."""
    seen.page.wait_for_timeout(150)
    box = seen.page.locator("#stage").bounding_box()
    shot = seen.page.screenshot(
        clip={"x": box["x"] + box["width"] / 2, "y": box["y"] + box["height"] / 2, "width": 1, "height": 1}
    )
    with rasterio.MemoryFile(shot) as memory, memory.open() as picture:
        return tuple(int(value) for value in picture.read([1, 2, 3])[:, 0, 0])
