"""`riskmap start`: a first site file out of the files alone; what can't be told stands in it as a question."""

from __future__ import annotations

from riskmap.start.site_file import Started, start_site

__all__ = ["Started", "start_site"]
