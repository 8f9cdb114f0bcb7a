"""What the page says around the map: counts, data, sources, what was not surveyed."""

from __future__ import annotations

from itertools import pairwise
from typing import Any, Final

from markupsafe import Markup

from riskmap import tables
from riskmap.deliver.html_map.sheet import first_paper, sheet_lines
from riskmap.draw.cautions import CAUTIONS
from riskmap.draw.classes import TreeClass, TreeClasses
from riskmap.draw.money import cost_words, prevented_words
from riskmap.model import Result, Site
from riskmap.rules import BAND_LIMITS, BAND_WORDS

__all__ = ["agent_grade", "agent_meaning", "band_ranges", "frontier_picture", "headlines", "page_words"]

MONTHS: Final = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November",
    "December",
)  # fmt: skip
MOST_NOTES: Final = 30


def agent_grade(agent: str) -> str:
    """Return how well the agent's rate is known: the grade of its h0."""
    rows = tables.figure_rows().get(agent, {}).values()
    return next((row.grade for row in rows if row.figure == "h0"), "judgement")


def agent_meaning(agent: str) -> str:
    """Return what the agent does, as a sentence without its full stop."""
    return tables.agents()[agent].meaning.rstrip(".")


def band_ranges() -> list[str]:
    """Return each band's range in percent a year.

    Examples
    --------
    >>> band_ranges()
    ['under 0.5 %', '0.5 to 5 %', '5 to 15 %', '15 to 35 %', '35 % or more']
    """
    limits = [f"{100 * limit:g}" for limit in BAND_LIMITS]
    middle = [f"{low} to {high} %" for low, high in pairwise(limits)]
    return [f"under {limits[0]} %", *middle, f"{limits[-1]} % or more"]


def headlines(result: Result) -> list[str]:
    """Return what a planner asks first: money and hours, and rows that are not on the map."""
    tally = result.tally
    lines = [cost_words(result)] if tally.cost > 0 else []
    if tally.placed < tally.rows:
        lines.append(f"{_rows(tally.rows - tally.placed)} without a place: in the table, not on the map.")
    if tally.unscored:
        lines.append(f"{_rows(tally.unscored)} that could not be scored.")
    return lines


def frontier_picture(result: Result) -> Markup:
    """Return loss prevented against money as a small curve; nothing where no frontier was worked out."""
    told = result.choices.extra.get("money") or {}
    points = told.get("frontier") or []
    top_money, top_loss = (max((point[axis] for point in points), default=0) for axis in (0, 1))
    if len(points) < 3 or top_money <= 0 or top_loss <= 0:
        return Markup("")

    def at(money: float, loss: float) -> str:
        return f"{46 + 250 * money / top_money:.1f} {130 - 116 * loss / top_loss:.1f}"

    curve = "L".join(at(*point) for point in points)
    here = at(min(told.get("spent", 0), top_money), min(told.get("prevented", 0), top_loss)).split()
    label = f"Loss prevented against money: up to {top_loss:,.0f} for {top_money:,.0f}; the dot marks this run"
    return Markup(
        '<svg class="frontier" viewBox="0 0 310 160" role="img" aria-label="{}"><path class="axis" d="M46 10V130H300"/>'
        '<path class="curve" d="M{}"/><circle cx="{}" cy="{}" r="5"/><text x="42" y="20" text-anchor="end">{}</text>'
        '<text x="42" y="133" text-anchor="end">0</text><text x="296" y="150" text-anchor="end">{} {}</text></svg>'
    ).format(label, curve, *here, f"{top_loss:,.0f}", told.get("currency", ""), f"{top_money:,.0f}")


def page_words(result: Result, guards: TreeClasses, *, on_page: int) -> dict[str, Any]:
    """Return every text of the page template; each is escaped there."""
    settings = result.site.inputs.settings
    n = result.tally.rows
    date = settings.date
    return {
        "title": settings.title,
        "date_text": f"{date.day} {MONTHS[date.month - 1]} {date.year}",
        "count_text": f"{n:,} {'tree' if n == 1 else 'trees'}",
        "guard_counts": [_counted(entry) for entry in guards.classes],
        "summary": [*_left_out(n, on_page), *headlines(result)],
        "money": prevented_words(result),
        "sheet": sheet_lines(result),
        "paper": first_paper(settings),
        "frontier": frontier_picture(result),
        "cautions": CAUTIONS,
        "band_lines": [f"{word}: {span}" for word, span in zip(BAND_WORDS, band_ranges(), strict=True)],
        "not_surveyed": _not_surveyed(result),
        "crs_text": crs_text(result.site),
        "source_text": _source_text(result.site),
        "sources": [_read_line(read.file, read.rows, read.facts) for read in result.site.inputs.read_as],
        "notes": _notes(result),
        "made_by": f"Made by riskmap {_version()}.",
    }


def _left_out(n: int, on_page: int) -> list[str]:
    """Say that the page holds some of the trees only."""
    if on_page == n:
        return []
    return [
        f"{n:,} trees are too many for one page: it holds the {on_page:,} with the highest expected loss, "
        "and hexagons count all of them. The tables hold every tree."
    ]


def crs_text(site: Site) -> str:
    """Return the working CRS, its datum, what distances are, and how the page draws."""
    authority = site.crs.to_authority()
    code = f" ({':'.join(authority)})" if authority else ""
    datum = site.crs.datum.name if site.crs.datum else "unknown"
    unit = "in feet here and in metres in the tables," if site.inputs.settings.units == "us" else "in metres"
    return (
        f"Measured in {site.crs.name}{code}, datum {datum}; distances are {unit} on the ground. "
        "Drawn in Web Mercator (EPSG:3857) from WGS 84, north up."
    )


def _source_text(site: Site) -> str:
    """The files behind the map, in one sentence."""
    files = list(dict.fromkeys(read.file for read in site.inputs.read_as))
    if not files:
        return ""
    shown = ", ".join(files[:6]) + (f" and {len(files) - 6} more" if len(files) > 6 else "")
    return f"Data: {shown}."


def _read_line(file: str, rows: int, facts: Any) -> str:
    """One file and how it was read."""
    cells = facts.get("columns_and_rows")
    said = [f"{cells} cells" if cells else f"{rows:,} {'row' if rows == 1 else 'rows'}"]
    for name in ("layer", "crs"):
        if facts.get(name):
            said.append(f"{'CRS' if name == 'crs' else name} {facts[name]}")
    return f"{file}: {', '.join(said)}"


def _not_surveyed(result: Result) -> list[str]:
    """The roles nobody gave, and the agents that cannot be scored without them; then what was said instead of drawn."""
    lines = []
    for role in tables.roles().values():
        concerned = [agent for agent in role.agents if agent in result.pressure.agents]
        if concerned and role.key not in result.site.surveyed:
            agents = ", ".join(tables.agents()[agent].label.lower() for agent in concerned)
            lines.append(
                f"{role.label} was not surveyed: {agents} {'are' if len(concerned) > 1 else 'is'} not scored from it."
            )
    local, roles = result.site.inputs.settings.local, tables.roles()
    for said, where in ((local.nowhere, "nowhere near"), (local.everywhere, "all over")):
        labels = ", ".join(roles[role].label.lower() for role in said if role in roles)
        if labels:
            lines.append(f"Not drawn, but said to be {where} this site: {labels}.")
    return lines


def _notes(result: Result) -> list[str]:
    """Notes on the data, as many as read well."""
    lines = [f"{note.file}: {note.what}. {note.remedy}".rstrip(". ") + "." for note in result.notes[:MOST_NOTES]]
    if len(result.notes) > MOST_NOTES:
        lines.append(f"{len(result.notes) - MOST_NOTES} more stand in run.json.")
    return lines


def _counted(entry: TreeClass) -> dict[str, str]:
    """One row of the summary."""
    return {"label": entry.label, "count_text": f"{entry.count:,}"}


def _rows(number: int) -> str:
    """So many rows."""
    return f"{number:,} {'tree' if number == 1 else 'trees'}"


def _version() -> str:
    """Our own version."""
    import riskmap

    return str(riskmap.__version__)
