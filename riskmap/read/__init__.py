"""The user's files to Inputs: site.toml, trees, layers, rasters; each thing still in its own CRS."""

from __future__ import annotations

from riskmap.read.frames import inputs_from_frames
from riskmap.read.inputs import Ground, read_ground, read_inputs
from riskmap.read.packed import PackedShapes, read_packed
from riskmap.read.schema import site_schema
from riskmap.read.settings import read_settings
from riskmap.read.tree_stream import TreeStream, open_tree_stream
from riskmap.read.trees import TreesRead

__all__ = [
    "Ground",
    "PackedShapes",
    "TreeStream",
    "TreesRead",
    "inputs_from_frames",
    "open_tree_stream",
    "read_ground",
    "read_inputs",
    "read_packed",
    "read_settings",
    "site_schema",
]
