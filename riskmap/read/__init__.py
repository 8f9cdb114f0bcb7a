"""The user's files to Inputs: site.toml, trees, layers, rasters; each thing still in its own CRS."""

from __future__ import annotations

from riskmap.read.boxed import Known
from riskmap.read.by_part import LayerFile, fits_parts, open_layer, read_part, tell_parts
from riskmap.read.frames import inputs_from_frames
from riskmap.read.inputs import Ground, read_ground, read_inputs
from riskmap.read.layers import LayerReading
from riskmap.read.packed import PackedShapes, read_packed
from riskmap.read.schema import site_schema
from riskmap.read.seen import Seen
from riskmap.read.settings import read_settings
from riskmap.read.tree_stream import TreeStream, open_tree_stream
from riskmap.read.trees import TreesRead

__all__ = [
    "Ground",
    "Known",
    "LayerFile",
    "LayerReading",
    "PackedShapes",
    "Seen",
    "TreeStream",
    "TreesRead",
    "fits_parts",
    "inputs_from_frames",
    "open_layer",
    "open_tree_stream",
    "read_ground",
    "read_inputs",
    "read_packed",
    "read_part",
    "read_settings",
    "site_schema",
    "tell_parts",
]
