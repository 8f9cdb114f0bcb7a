"""``riskmap show``: what the program knows, readable on a terminal of 80 columns."""

from __future__ import annotations

import pytest

from riskmap import tables
from riskmap.show import TOPICS, show_lines


@pytest.mark.parametrize("topic", TOPICS)
@pytest.mark.parametrize("columns", [40, 80, 100])
def test_lines_fit_the_terminal(topic: str, columns: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    lines = list(show_lines(topic))
    assert lines
    assert max(map(len, lines)) <= max(columns, 80), max(lines, key=len)


def test_every_figure_shows_its_unit_grade_and_source() -> None:
    lines = list(show_lines("agents", wide=True))
    for agent, rows in tables.figure_rows().items():
        for name, row in rows.items():
            keys = row.source.replace(";", ", ")
            found = [line for line in lines if line.split()[:1] == [name] and row.grade in line and keys in line]
            assert any(f"{row.central:g}" in line.split() for line in found), (agent, name)


def test_every_row_of_a_table_is_shown() -> None:
    listed = {
        "species": tables.species(),
        "sources": tables.sources(),
        "roles": tables.roles(),
        "guards": tables.guards(),
        "notes": tables.note_codes(),
        "columns": {row.key: row for row in tables.columns()},
    }
    for topic, rows in listed.items():
        text = "\n".join(show_lines(topic, wide=True))
        assert [key for key in rows if key not in text] == [], topic


def test_a_pipe_gets_one_line_a_row() -> None:
    assert len(list(show_lines("sources", wide=True))) == len(tables.sources()) + 1
