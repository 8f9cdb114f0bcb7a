"""Colours: contrast, and how far apart guards and bands look to four kinds of sight."""

from __future__ import annotations

import re
from importlib import resources
from itertools import combinations, pairwise

import numpy as np
import pytest

from riskmap.deliver.gis_styles import _MARKERS
from riskmap.draw.classes import ACTION_LABELS
from riskmap.draw.palette import (
    ACTION_SYMBOLS,
    FALLBACK_GROUND,
    GROUND_STYLES,
    GUARD_SYMBOLS,
    INK,
    OTHER_GUARDS,
    PAPER,
    PRESSURE_RAMP,
    contrast,
)

# Machado, Oliveira & Fernandes 2009, severity 1.0, on linear RGB (recalled)
SIGHT = {
    "normal": np.eye(3),
    "protan": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deutan": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.01182, 0.04294, 0.968881]]
    ),
    "tritan": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.3039]]
    ),
}
# sRGB to XYZ, D65 (IEC 61966-2-1)
TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
GUARDS = [symbol.fill for symbol in GUARD_SYMBOLS[:7]] + [ACTION_SYMBOLS["none needed"].fill]


def lab(colour: str, sight: str) -> np.ndarray:
    """CIE L*a*b* of a colour as one kind of sight has it."""
    parts = np.array([int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)])
    linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
    xyz = TO_XYZ @ np.clip(SIGHT[sight] @ linear, 0, 1) / TO_XYZ.sum(axis=1)
    f = np.where(xyz > (6 / 29) ** 3, np.cbrt(xyz), xyz / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def ciede2000(one: np.ndarray, other: np.ndarray) -> float:
    """Colour difference CIEDE2000 (Sharma, Wu & Dalal 2005)."""
    (l1, a1, b1), (l2, a2, b2) = one, other
    c_mean = (np.hypot(a1, b1) + np.hypot(a2, b2)) / 2
    g = 0.5 * (1 - np.sqrt(c_mean**7 / (c_mean**7 + 25.0**7)))
    a1, a2 = (1 + g) * a1, (1 + g) * a2
    c1, c2 = np.hypot(a1, b1), np.hypot(a2, b2)
    h1, h2 = np.degrees(np.arctan2(b1, a1)) % 360, np.degrees(np.arctan2(b2, a2)) % 360
    turn = (h2 - h1 + 180) % 360 - 180 if c1 * c2 else 0.0
    d_h = 2 * np.sqrt(c1 * c2) * np.sin(np.radians(turn / 2))
    h_mean = h1 + h2 if not c1 * c2 else (h1 + turn / 2) % 360
    l_mean, c_mean = (l1 + l2) / 2, (c1 + c2) / 2
    t = (
        1
        - 0.17 * np.cos(np.radians(h_mean - 30))
        + 0.24 * np.cos(np.radians(2 * h_mean))
        + 0.32 * np.cos(np.radians(3 * h_mean + 6))
        - 0.20 * np.cos(np.radians(4 * h_mean - 63))
    )
    s_l = 1 + 0.015 * (l_mean - 50) ** 2 / np.sqrt(20 + (l_mean - 50) ** 2)
    s_c, s_h = 1 + 0.045 * c_mean, 1 + 0.015 * c_mean * t
    r_t = (
        -2 * np.sqrt(c_mean**7 / (c_mean**7 + 25.0**7)) * np.sin(np.radians(60 * np.exp(-(((h_mean - 275) / 25) ** 2))))
    )
    parts = ((l2 - l1) / s_l, (c2 - c1) / s_c, d_h / s_h)
    return float(np.sqrt(sum(part**2 for part in parts) + r_t * parts[1] * parts[2]))


@pytest.mark.parametrize(
    ("one", "other", "expected"),
    [  # Sharma, Wu & Dalal 2005, table 1: pairs 1, 7, 16, 17, 25
        ((50, 2.6772, -79.7751), (50, 0, -82.7485), 2.0425),
        ((50, 0, 0), (50, -1, 2), 2.3669),
        ((50, 2.5, 0), (50, 0, -2.5), 4.3065),
        ((50, 2.5, 0), (73, 25, -18), 27.1492),
        ((60.2574, -34.0099, 36.2677), (60.4626, -34.1751, 39.4387), 1.2644),
    ],
)
def test_the_difference_is_that_of_the_published_pairs(one, other, expected) -> None:
    assert ciede2000(np.array(one, float), np.array(other, float)) == pytest.approx(expected, abs=1e-4)


@pytest.mark.parametrize("sight", SIGHT)
def test_no_two_guards_look_alike(sight: str) -> None:
    closest = min(ciede2000(lab(one, sight), lab(other, sight)) for one, other in combinations(GUARDS, 2))
    assert closest >= 13


@pytest.mark.parametrize("sight", SIGHT)
def test_neighbouring_bands_look_apart_and_darken(sight: str) -> None:
    ramp = [lab(colour, sight) for colour in PRESSURE_RAMP]
    assert all(ciede2000(one, other) >= 11 for one, other in pairwise(ramp))
    lightness = [place[0] for place in ramp]
    assert lightness == sorted(lightness, reverse=True)


def test_guard_fills_stand_out_from_paper_and_outlines_from_all_ground() -> None:
    assert all(contrast(fill, PAPER) >= 3 for fill in GUARDS)
    fills = [style.fill for style in (*GROUND_STYLES.values(), FALLBACK_GROUND) if style.fill != "none"]
    assert all(contrast(INK, fill) >= 7 for fill in (*fills, PAPER))


def test_every_guard_symbol_is_told_by_its_shape_alone() -> None:
    shapes = [symbol.shape for symbol in (*GUARD_SYMBOLS, OTHER_GUARDS)] + ["ring", "query", "speck", "dotted", "lens"]
    assert len(shapes) == len(set(shapes)) == 20


def test_every_action_has_a_symbol_of_its_own_in_page_and_gis() -> None:
    assert ACTION_SYMBOLS.keys() == ACTION_LABELS.keys()
    shapes = [symbol.shape for symbol in ACTION_SYMBOLS.values()]
    assert len(set(shapes)) == len(shapes)
    script = resources.files("riskmap.deliver.html_map").joinpath("static", "symbols.js").read_text("utf-8")
    drawn = set(re.findall(r"^  (\w+): \"M", script, re.MULTILINE))
    every = {symbol.shape for symbol in (*GUARD_SYMBOLS, OTHER_GUARDS, *ACTION_SYMBOLS.values())}
    assert every <= drawn
    assert every <= _MARKERS.keys()


@pytest.mark.parametrize("sight", SIGHT)
def test_no_two_actions_look_alike_and_taking_off_looks_like_no_guard(sight: str) -> None:
    places = [lab(symbol.fill, sight) for action, symbol in ACTION_SYMBOLS.items() if action != "not a tree"]
    assert min(ciede2000(one, other) for one, other in combinations(places, 2)) >= 13
    off = lab(ACTION_SYMBOLS["remove"].fill, sight)
    assert min(ciede2000(off, lab(guard, sight)) for guard in GUARDS) >= 13


def test_no_symbol_means_a_guard_in_one_key_and_an_action_in_the_other() -> None:
    guards = {symbol.shape for symbol in (*GUARD_SYMBOLS, OTHER_GUARDS)}
    assert guards.isdisjoint(symbol.shape for symbol in ACTION_SYMBOLS.values())
    fills = [symbol.fill for symbol in ACTION_SYMBOLS.values() if symbol.fill != "#ffffff"]
    assert all(contrast(fill, PAPER) >= 3 for fill in fills)
