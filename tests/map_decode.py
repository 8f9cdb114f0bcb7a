"""The page's unfolding, once more in Python: what the browser will see of a map."""

from __future__ import annotations

import base64
import gzip
import json
import re
from dataclasses import dataclass
from typing import Any

import numpy as np


@dataclass(frozen=True)
class Page:
    """A map page taken apart."""

    html: str
    meta: dict[str, Any]
    data: bytes

    @classmethod
    def of(cls, page: bytes) -> Page:
        html = page.decode("utf-8")
        meta = json.loads(re.search(r'<script type="application/json" id="rm-meta">(.*?)</script>', html, re.S)[1])
        data = base64.b64decode(re.search(r'<script type="text/plain" id="rm-data">(.*?)</script>', html, re.S)[1])
        return cls(html=html, meta=meta, data=gzip.decompress(data) if meta["packed"] else data)

    def column(self, name: str) -> bytes:
        row = next(row for row in self.meta["columns"] if row["name"] == name)
        return self.data[row["off"] : row["off"] + row["len"]]

    def numbers(self, name: str) -> np.ndarray:
        kind = next(row["t"] for row in self.meta["columns"] if row["name"] == name)
        planes = np.frombuffer(self.column(name), np.uint8).reshape(int(kind[1:]) // 8, -1).astype(np.int64)
        return sum(plane << (8 * (len(planes) - 1 - place)) for place, plane in enumerate(planes))

    def texts(self, name: str) -> list[str]:
        values = json.loads(self.column(f"{name}:values"))
        return [values[code] for code in self.numbers(name)]

    def ids(self) -> list[str]:
        return self.column("ids").decode("utf-8").split("\n")[:-1]

    def places(self) -> tuple[np.ndarray, np.ndarray]:
        """Longitude and latitude of the placed trees, in the page's order."""
        grid = self.meta["grid"]
        counts = self.numbers("count")
        cell = np.repeat(np.arange(len(counts)), counts)
        x = np.concatenate(
            [cell % grid["columns"] * grid["side"] + self.numbers("inner_x"), _unfold(self.numbers("far_x"))]
        )
        y = np.concatenate(
            [cell // grid["columns"] * grid["side"] + self.numbers("inner_y"), _unfold(self.numbers("far_y"))]
        )
        east, north = grid["x"] + x * grid["step"], grid["y"] - y * grid["step"]
        return np.degrees(east / 6378137), np.degrees(np.arctan(np.sinh(north / 6378137)))


def _unfold(folded: np.ndarray) -> np.ndarray:
    return np.where(folded & 1, -((folded + 1) >> 1), folded >> 1)
