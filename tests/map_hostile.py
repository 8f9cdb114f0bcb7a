"""Texts that try to run, and a result that holds one of them in every place a user can write."""

from __future__ import annotations

import dataclasses

import numpy as np
import pyarrow as pa
from conftest import make_settings
from map_factory import river_result, with_files

from riskmap.model import Coded, LayerSource, MapSettings, Note, Result, TreeSource

PAYLOADS = (
    '<img src=x onerror="window.PWN=1;alert(1)">',
    "</script><script>window.PWN=1</script>",
    "</title><script>window.PWN=1</script>",
    "<!--<script>window.PWN=1",
    "${window.PWN=1}",
    "`;window.PWN=1;`",
    "\\`${window.PWN=1}",
    "C:\\trees\\2024",
    "';window.PWN=1;//",
    '" onmouseover="window.PWN=1" x="',
    "{{ 7*7 }}",
    "{% if %}",
    "{{ cycler.__init__.__globals__.os.popen('touch @@MARK@@').read() }}",
    "nul\x00byte",
    "\u2028window.PWN=1\u2029",
    "\u202egnp.exe",
    "javascript:window.PWN=1",
    "@@POLICY@@",
    "<svg><style>*{background:url(https://evil.example/x)}</style></svg>",
    "]]>&lt;b&gt;&amp;#x3c;",
)


def hostile_result(text: str) -> Result:
    """Put one text into every field: title, ids, species, headers, cells, layers, files, guards, reasons, notes."""
    n = 4
    settings = make_settings(
        title=text,
        trees=TreeSource(file=text, columns={"group": f"{text} "}),
        map=MapSettings(filters=(text,), tiles="https://tiles.example/{z}/{x}/{y}.png", attribution=text),
    )
    result = with_files(
        river_result(
            n,
            settings=settings,
            own=pa.table({text: pa.array([text] * n)}),
            tree_id=pa.array([text] * n),
            species=[text] * n,
            group=[text] * n,
            planted=[text] * n,
        ),
        text,
        "trees.csv",
    )
    layers = tuple(
        dataclasses.replace(
            layer,
            data=dataclasses.replace(
                layer.data, source=LayerSource(number=layer.number, role=layer.role, file=text, layer=text)
            ),
        )
        for layer in result.site.layers
    )
    every = Coded(codes=np.zeros(n, dtype=np.int64), values=(text,))
    return dataclasses.replace(
        result,
        site=dataclasses.replace(result.site, layers=layers),
        pressure=dataclasses.replace(
            result.pressure, remarks={text: np.ones(n, dtype=bool)}, not_scored=pa.array([text] * n)
        ),
        choices=dataclasses.replace(
            result.choices, guard=every, guard_keys=every, reason=every, off_when=every, action=every, currency=text
        ),
        notes=(Note(code="x", file=text, what=text, remedy=text),),
    )
