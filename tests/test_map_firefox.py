"""The map in another browser: Firefox ESR draws it from disk, with the network off."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
import rasterio
from map_factory import river_result

from riskmap.deliver.html_map import map_page
from riskmap.draw.palette import GROUND_STYLES

FIREFOX = shutil.which("firefox-esr") or shutil.which("firefox")
SHAPES_PX = {"water": 20_000, "deer_habitat": 5_000}  # least ground of each colour in a picture of the whole site


@pytest.mark.skipif(FIREFOX is None, reason="no Firefox on this machine")
def test_firefox_draws_ground_and_trees(tmp_path: Path) -> None:
    page, picture, profile = tmp_path / "map.html", tmp_path / "map.png", tmp_path / "profile"
    page.write_bytes(map_page(river_result()))
    profile.mkdir()
    (profile / "user.js").write_text('user_pref("network.proxy.type", 1);user_pref("network.proxy.socks_port", 9);')
    words = ["--headless", "--no-remote", "--profile", profile, "--window-size=1360,850", "--screenshot", picture]
    subprocess.run([str(FIREFOX), *map(str, words), page.as_uri()], check=True, capture_output=True, timeout=120)
    with rasterio.open(picture) as drawn:
        cells = drawn.read([1, 2, 3])[:, 80:, 345:].astype(int)  # the map, without head and key
    for role, least in SHAPES_PX.items():
        fill = np.array([int(GROUND_STYLES[role].fill[place : place + 2], 16) for place in (1, 3, 5)])
        assert (np.abs(cells - fill[:, None, None]).max(axis=0) <= 3).sum() > least, role
    dark = (cells.max(axis=0) < 90).sum()  # outlines and dark fills of the symbols
    assert dark > 1_000
