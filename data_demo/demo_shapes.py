"""Shapes that look grown or built: bends, banks, blobs, plots and houses, in metres."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
import numpy.typing as npt
import shapely
from shapely import LineString, Polygon
from shapely.geometry.base import BaseGeometry

Points: TypeAlias = npt.NDArray[np.float64]
Rng: TypeAlias = np.random.Generator


def curve_through(points: list[tuple[float, float]], step: float = 4.0) -> Points:
    """Return a smooth line through points (Catmull-Rom), with a vertex about every `step` metres."""
    given = np.asarray(points, dtype=float)
    padded = np.vstack([2 * given[0] - given[1], given, 2 * given[-1] - given[-2]])
    pieces = []
    for before, here, there, after in zip(padded, padded[1:], padded[2:], padded[3:], strict=False):
        t = np.linspace(0, 1, max(2, int(np.hypot(*(there - here)) / step)), endpoint=False)[:, None]
        pieces.append(
            0.5
            * (
                2 * here
                + (there - before) * t
                + (2 * before - 5 * here + 4 * there - after) * t**2
                + (3 * here - before - 3 * there + after) * t**3
            )
        )
    return np.vstack([*pieces, given[-1:]])


def meanders(start: tuple[float, float], headings: Points, step: float) -> Points:
    """Return the line that walks from `start` with a heading (radians) for every step."""
    steps = step * np.column_stack([np.cos(headings), np.sin(headings)])
    return np.vstack([np.asarray(start), np.asarray(start) + np.cumsum(steps, axis=0)])


def normals(line: Points) -> Points:
    """Return the unit normals of a line, to its left."""
    along = np.gradient(line, axis=0)
    along /= np.hypot(along[:, 0], along[:, 1])[:, None]
    return np.column_stack([-along[:, 1], along[:, 0]])


def waves(rng: Rng, n: int, *, longest: float, count: int = 5) -> Points:
    """Return smooth noise of about unit spread over n places, made of `count` waves."""
    place = np.arange(n)
    total = np.zeros(n)
    for k in range(1, count + 1):
        total += rng.normal() / k**0.7 * np.sin(2 * np.pi * k * place / longest + rng.uniform(0, 2 * np.pi))
    return total / 1.4


def strip(line: Points, left: Points | float, right: Points | float) -> BaseGeometry:
    """Return the ground between two banks that run beside a line."""
    side = normals(line)
    left_bank = line + side * np.broadcast_to(left, len(line))[:, None]
    right_bank = line - side * np.broadcast_to(right, len(line))[:, None]
    return shapely.make_valid(Polygon(np.vstack([left_bank, right_bank[::-1]]))).buffer(0)


def blob(
    rng: Rng, centre: tuple[float, float], radii: tuple[float, float], *, turn: float = 0.0, rough: float = 0.12
) -> Polygon:
    """Return a rounded patch with an uneven edge, `turn` in degrees."""
    n = max(24, int(2 * np.pi * max(radii) / 5))
    angle = np.linspace(0, 2 * np.pi, n, endpoint=False)
    wobble = np.ones(n)
    for k in range(2, 9):
        wobble += rough * rng.normal() / k**0.6 * np.sin(k * angle + rng.uniform(0, 2 * np.pi))
    wobble = np.clip(wobble, 0.55, 1.5)
    x, y = radii[0] * wobble * np.cos(angle), radii[1] * wobble * np.sin(angle)
    a = np.radians(turn)
    return Polygon(
        np.column_stack([centre[0] + x * np.cos(a) - y * np.sin(a), centre[1] + x * np.sin(a) + y * np.cos(a)])
    )


def box(centre: tuple[float, float], size: tuple[float, float], turn: float) -> Polygon:
    """Return a rectangle (width along `turn` degrees, depth across it)."""
    w, d = size[0] / 2, size[1] / 2
    return place(Polygon([(-w, -d), (w, -d), (w, d), (-w, d)]), centre, turn)


def place(shape: BaseGeometry, centre: tuple[float, float], turn: float) -> BaseGeometry:
    """Turn a shape drawn round the origin by degrees and move it to its place."""
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    return shapely.transform(shape, lambda xy: xy @ np.array([[c, s], [-s, c]]) + np.asarray(centre))


def house(rng: Rng, centre: tuple[float, float], turn: float) -> Polygon:
    """Return a house: a block with a wing."""
    w, d = rng.uniform(10, 14), rng.uniform(7.5, 10)
    main = Polygon([(-w / 2, -d / 2), (w / 2, -d / 2), (w / 2, d / 2), (-w / 2, d / 2)])
    x = rng.choice([-1.0, 1.0]) * w / 4
    wing = Polygon([(x - 2.4, d / 2 - 0.5), (x + 2.4, d / 2 - 0.5), (x + 2.4, d / 2 + 3.5), (x - 2.4, d / 2 + 3.5)])
    return place(shapely.union(main, wing), centre, turn)


def ribbon(points: list[tuple[float, float]], width: float, *, step: float = 4.0) -> BaseGeometry:
    """Return a smooth paved strip of one width through points."""
    return LineString(curve_through(points, step)).buffer(width / 2, cap_style="flat", quad_segs=4)


def pieces(shape: BaseGeometry, *, smallest: float = 20.0) -> list[BaseGeometry]:
    """Return the polygons of a shape that are big enough to draw."""
    return [part for part in shapely.get_parts(shape) if part.geom_type == "Polygon" and part.area >= smallest]
