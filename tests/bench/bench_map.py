"""Times and sizes of map.html beside plain folium pages of the same trees, printed as one table.

    python tests/bench/bench_map.py [--most 1000000] [--folium-most 20000]

Marker clusters need their script, which folium takes from the network: RISKMAP_MARKERCLUSTER names a folder that holds
leaflet.markercluster.js (of the packages xstatic-leaflet-markercluster or leaflet.markercluster). Without it that row
is left out. A page that does not open within the limit says so.
"""

from __future__ import annotations

import argparse
import os
import re
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

import numpy as np
from map_browser import browser_path, why_not
from map_factory import city_result

from riskmap.deliver.html_map import leaflet, write_map
from riskmap.model import Result

LIMIT_S = 120
FRAMES = """() => {
  window.frames_ms = []; let last = performance.now();
  const step = now => { frames_ms.push(now - last); last = now; if (window.frames_on) requestAnimationFrame(step); };
  window.frames_on = true; requestAnimationFrame(step);
}"""


def main() -> None:
    """Make every page, open it, drag it, and print a line of the table."""
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    words.add_argument("--most", type=int, default=1_000_000)
    words.add_argument("--folium-most", type=int, default=20_000)
    asked = words.parse_args()
    print(f"load average {os.getloadavg()[0]:.2f}, {os.cpu_count()} cores, headless browser, 1360 x 850")
    print(f"{'page':<28}{'trees':>10}{'write s':>9}{'MB':>8}{'open s':>8}{'drag p95 ms':>13}{'worst ms':>10}")
    with tempfile.TemporaryDirectory() as folder:
        for n in [n for n in (200, 10_000, 100_000, 1_000_000) if n <= asked.most]:
            result = city_result(n)
            report("riskmap map.html", n, Path(folder), lambda place, result=result: write_map(result, place))
            if n <= asked.folium_most or n == 200:
                report("folium.GeoJson, styled", n, Path(folder), lambda place, result=result: geojson(result, place))
            if cluster_script():
                report("folium FastMarkerCluster", n, Path(folder), lambda place, result=result: cluster(result, place))
        if asked.folium_most >= 20_000:
            result = city_result(20_000)
            report("folium.GeoJson, styled", 20_000, Path(folder), lambda place: geojson(result, place))
    if not cluster_script():
        print("no marker-cluster row: RISKMAP_MARKERCLUSTER names no folder with leaflet.markercluster.js")


def report(name: str, n: int, folder: Path, write: Any) -> None:
    """Time one page and print its line."""
    started = time.perf_counter()
    write(folder)
    written = time.perf_counter() - started
    file = folder / "map.html"
    opened, frames = measure(file)
    line = f"{name:<28}{n:>10,}{written:>9.2f}{file.stat().st_size / 1e6:>8.2f}"
    if opened is None:
        print(f"{line}  did not open in {LIMIT_S} s", flush=True)
        return
    frames = sorted(frames)
    p95 = frames[int(0.95 * (len(frames) - 1))]
    print(f"{line}{opened:>8.2f}{p95:>13.0f}{frames[-1]:>10.0f}", flush=True)


def measure(file: Path) -> tuple[float | None, list[float]]:
    """Seconds until the page has drawn two frames after loading, and milliseconds of each frame of a drag."""
    from playwright.sync_api import Error, sync_playwright

    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=browser_path(), args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": 1360, "height": 850})
        page.set_default_timeout(LIMIT_S * 1000)
        try:
            started = time.perf_counter()
            page.goto(file.as_uri(), timeout=LIMIT_S * 1000)
            while not page.evaluate("typeof rm === 'undefined' || document.documentElement.matches('.ready, .failed')"):
                page.wait_for_timeout(5)
            page.evaluate("new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")
            opened = time.perf_counter() - started
            page.evaluate(FRAMES)
            page.mouse.move(900, 450)
            page.mouse.down()
            for step in range(60):
                page.mouse.move(900 - 6 * step, 450 + 3 * step)
                page.wait_for_timeout(8)
            page.mouse.up()
            page.wait_for_timeout(200)
            frames = page.evaluate("() => { frames_on = false; return frames_ms.slice(2) }")
        except Error:
            return None, []
        finally:
            browser.close()
    return opened, frames


def geojson(result: Result, folder: Path) -> None:
    """Write the same trees as a folium GeoJson layer with a style function and a tooltip, as most people would."""
    import folium
    import geopandas

    trees, table = result.site.trees, result.site.trees.table
    columns = {
        "tree_id": table.tree_id.to_pylist(),
        "species": table.species.texts(),
        "guard": result.choices.guard.texts(),
    }
    for number, agent in enumerate(result.pressure.agents):
        columns[agent] = np.nan_to_num(result.pressure.value[:, number]).round(3).tolist()
    frame = geopandas.GeoDataFrame(columns, geometry=geopandas.points_from_xy(trees.lon, trees.lat), crs=4326)
    layer = folium.GeoJson(
        frame,
        marker=folium.CircleMarker(radius=4, fill=True),
        style_function=lambda feature: {"color": "#333333" if feature["properties"]["guard"] else "#999999"},
        tooltip=folium.GeoJsonTooltip(["tree_id", "species", "guard"]),
    )
    save(layer, result, folder, "")


def cluster(result: Result, folder: Path) -> None:
    """Write the same trees as a folium FastMarkerCluster."""
    from folium.plugins import FastMarkerCluster

    trees = result.site.trees
    callback = "function (row) { return L.circleMarker(new L.LatLng(row[0], row[1]), {radius: 4}); }"
    layer = FastMarkerCluster([*zip(trees.lat.tolist(), trees.lon.tolist(), strict=True)], callback=callback)
    layer.default_js, layer.default_css = [], []
    save(layer, result, folder, cluster_script())


def save(layer: Any, result: Result, folder: Path, more: str) -> None:
    """Save a plain folium map with its scripts inside, since it would ask the network for them."""
    import folium

    trees = result.site.trees
    plain = folium.Map(
        location=[trees.lat.mean(), trees.lon.mean()], zoom_start=12, max_zoom=20, tiles=None, prefer_canvas=True
    )
    plain.default_js, plain.default_css = [], []
    layer.add_to(plain)
    page = plain.get_root().render()
    page = re.sub(r'<(script|link)[^>]+(src|href)="http[^>]*>(</script>)?', "", page)
    inside = (
        f"<style>{leaflet.leaflet_style()}</style><script>{leaflet.leaflet_script()}</script><script>{more}</script>"
    )
    (folder / "map.html").write_text(page.replace("<head>", f"<head>{inside}", 1), encoding="utf-8")


def cluster_script() -> str:
    """Return the marker-cluster script; empty where there is none."""
    folder = os.environ.get("RISKMAP_MARKERCLUSTER", "")
    found = sorted(Path(folder).rglob("leaflet.markercluster.js")) if folder else []
    return found[0].read_text("utf-8") if found else ""


if __name__ == "__main__":
    if why_not():
        raise SystemExit(f"no bench: {why_not()}")
    main()
