"""JSON Schema of site.toml, made from the table of keys."""

from __future__ import annotations

from typing import Any

from riskmap.model import Key
from riskmap.read.keytable import COLUMN_LENGTHS, choices_of, keys_of, sections

__all__ = ["site_schema"]

_SCHEMA_TYPES: dict[str, dict[str, Any]] = {
    "text": {"type": "string"},
    "address": {"type": "string"},
    "file": {"type": "string", "minLength": 1},
    "texts": {"type": "array", "items": {"type": "string"}},
    "files": {"type": "array", "items": {"type": "string"}},
    "numbers": {"type": "array", "items": {"type": "number"}},
    "number": {"type": "number"},
    "integer": {"type": "integer"},
    "flag": {"type": "boolean"},
    "date": {"type": "string", "format": "date"},
    "filter": {"type": "object", "additionalProperties": {"type": ["array", "string", "number", "boolean"]}},
    "names": {"type": "object", "additionalProperties": {"type": "string"}},
    "units": {"type": "object", "additionalProperties": {"type": "string"}},
    "number_or_text": {"type": ["number", "string"]},
}


def site_schema() -> dict[str, Any]:
    """Return a JSON Schema of site.toml, made from the table of keys."""
    of = {section: _section_schema(section) for section in ("", *sections())}
    figures = {"type": "object", "additionalProperties": {"type": "number"}}
    of["agents"]["additionalProperties"] = figures
    of["layers"] = {"type": "array", "items": of["layers"]}
    of["rasters"] = {"type": "object", "additionalProperties": of["rasters"]}
    top = of.pop("")
    top["properties"] |= of
    top["required"] = [*top["required"], "trees"]
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": "site.toml", **top}


def _section_schema(section: str) -> dict[str, Any]:
    """JSON Schema of one section."""
    rows = keys_of(section)
    return {
        "type": "object",
        "additionalProperties": False,
        "properties": {name: _key_schema(row) for name, row in rows.items()},
        "required": [name for name, row in rows.items() if row.required],
    }


def _key_schema(row: Key) -> dict[str, Any]:
    """JSON Schema of one key."""
    found: dict[str, Any] = {"description": row.meaning + (f" [{row.unit}]" if row.unit else "")}
    found |= {key: dict(part) if isinstance(part, dict) else part for key, part in _SCHEMA_TYPES[row.type].items()}
    listed = list(choices_of(row))
    if listed and row.type == "text":
        found["enum"] = listed
    if listed and row.type == "texts":
        found["items"]["enum"] = listed
    if listed and row.type in ("names", "units"):
        found["propertyNames"] = {"enum": listed if row.type == "names" else list(COLUMN_LENGTHS)}
    if listed and row.type == "units":
        found["additionalProperties"] = {"enum": listed}
    limits = {"minimum": row.least, "maximum": row.most}
    return found | {name: limit for name, limit in limits.items() if limit is not None}
