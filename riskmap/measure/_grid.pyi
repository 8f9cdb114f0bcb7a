from typing import Any

def survey(wkb: Any, offsets: Any, box: Any, count: Any, /) -> int: ...
def count(
    wkb: Any,
    offsets: Any,
    chosen: Any,
    kinds: int,
    x: float,
    y: float,
    cell: float,
    columns: int,
    rows: int,
    start: Any,
    row_start: Any,
    column: Any,
    part_owner: Any,
    /,
) -> tuple[int, bytes] | None: ...
def fill(
    wkb: Any,
    offsets: Any,
    chosen: Any,
    kinds: int,
    x: float,
    y: float,
    cell: float,
    columns: int,
    rows: int,
    start: Any,
    segment: Any,
    /,
) -> None: ...
def ring_steps(start: Any, columns: int, rows: int, steps: Any, /) -> None: ...
def nearest(*arguments: Any) -> None: ...
def inside(*arguments: Any) -> bytes: ...
