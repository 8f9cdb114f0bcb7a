"""``riskmap show``: what the program knows, readable on a terminal of 80 columns."""

from __future__ import annotations

import re

import pytest

from riskmap import tables
from riskmap.read.headers import TREE_COLUMNS
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
        "columns": {row.key: row for row in (*tables.columns(), *tables.tree_columns())},
    }
    for topic, rows in listed.items():
        text = "\n".join(show_lines(topic, wide=True))
        assert [key for key in rows if key not in text] == [], topic


def test_a_pipe_gets_one_line_a_row() -> None:
    assert len(list(show_lines("sources", wide=True))) == len(tables.sources()) + 1


def test_every_column_a_trees_file_may_hold_is_explained() -> None:
    assert tuple(row.key for row in tables.tree_columns()) == TREE_COLUMNS
    assert all(row.meaning for row in tables.tree_columns())


def test_keys_point_to_what_can_be_shown() -> None:
    """A list that a key takes its words from is named by the words that show it."""
    text = "\n".join(show_lines("keys", wide=True))
    assert "@" not in text
    named = set(re.findall(r"riskmap show (\w+)", text))
    assert named == {"roles", "agents", "guards", "columns"} and named <= set(TOPICS)
