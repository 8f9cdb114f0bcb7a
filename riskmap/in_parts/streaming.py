"""A site laid out in parts while its trees are read piece by piece: memory holds one piece and one part."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from riskmap.check import Cloud, check_inputs, check_site
from riskmap.deliver.html_map.many import Lookout
from riskmap.draw.reach import site_box
from riskmap.in_parts.cutter import Cutter, cut_trees, some_trees
from riskmap.in_parts.gathered import Gathered, Sample
from riskmap.in_parts.ground import Ahead
from riskmap.in_parts.heard import Heard
from riskmap.in_parts.id_book import IdBook
from riskmap.in_parts.joint import refuse_joint
from riskmap.in_parts.plan import PLAN, Plan, part_name, silent
from riskmap.in_parts.spread import Spread
from riskmap.in_parts.workshop import Workshop
from riskmap.measure import measure_rasters
from riskmap.model import Inputs, Note, SilentWatch, Site, TreeTable, Watch
from riskmap.model.part import take_rows
from riskmap.project import Footing, near_trees, project_inputs, project_part
from riskmap.read import Ground, TreeStream, read_ground
from riskmap.score import LostNames

__all__ = ["PIECE", "lay_out_stream"]

PIECE: Final = 500_000  # trees read at a time
UNEVEN: Final = 1.5  # a part larger than this times what it should be is cut once more
_UNPLACED: Final = ("place_at_zero", "tree_far")  # what project says of single trees


def lay_out_stream(stream: TreeStream, shop: Workshop, *, most: int, at_once: int, watch: Watch) -> bool:
    """Read trees piece by piece, spread them by place and keep each part as `lay_out` does.

    Parameters
    ----------
    stream : TreeStream
        The trees file, open.
    shop : Workshop
        Where parts are kept.
    most : int
        Trees of one part, about.
    at_once : int
        Trees that a run does at once, for words.
    watch : Watch
        Told how far the work has come.

    Returns
    -------
    bool
        False where pieces take what they hold in different ways, so that the file has to be read whole.

    Raises
    ------
    InputError
        With every fault of the inputs.
    """
    with watch.station("read"):
        pieces = _read(stream, shop, watch)
        if not pieces.gathered.of_one_mind():
            watch.log(f"{stream.settings.trees.file}: what its columns say differs from piece to piece; read whole")
            return False
        sample, even = pieces.sample.trees()
        near = near_trees(stream.settings, sample)
        ahead = Ahead(stream.settings, near)
        ground = read_ground(stream.settings, near=near, otherwise=ahead, watch=watch)
        inputs = ground.with_trees(pieces.gathered.together(sample))
    with watch.station("check"):  # for what all trees have in common
        check_inputs(ahead.spread(inputs), repeated=lambda ids: np.zeros(len(ids), dtype=bool))
        refuse_joint(inputs, at_once)
    with watch.station("project"):
        footing, whole = Footing.of(inputs), project_inputs(inputs, watch=watch)
        pieces.ids.close()
        ahead.leave_to_parts(whole, shop)
    with watch.station("lay out parts"):
        spread = _spread(pieces, sample, even, most, watch)
        site = replace(silent(whole), southern=_southern(whole, even))
        placer = _Placer(site=site, heard=inputs, footing=footing, ids=pieces.ids, cloud=Cloud.of(whole))
        parts = 0
        for number in range(spread.parts):
            watch.progress(number, spread.parts)
            for part in placer.parts(spread.places.take_up(number), most):
                shop.save(part_name(parts, "rasters"), measure_rasters(part, watch=SilentWatch()))
                shop.save(part_name(parts, "site"), part)
                parts += 1
        shop.save(PLAN, _plan(parts, whole, even, _heard(ground, whole, placer, pieces)))
    return True


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pieces:
    """A file that was read: its pieces lie in the workshop."""

    shop: Workshop
    count: int
    gathered: Gathered
    sample: Sample
    ids: IdBook
    lost: LostNames

    def trees(self) -> Iterator[TreeTable]:
        """One piece after the other."""
        for number in range(self.count):
            yield self.shop.load(part_name(number, "piece"))


def _read(stream: TreeStream, shop: Workshop, watch: Watch) -> _Pieces:
    """Read every piece and put it down."""
    gathered, sample, ids = Gathered(pieces=[]), Sample(stream.rows), IdBook(shop.folder)
    lost, count = LostNames(counts={}, first=()), 0
    for count, read in enumerate(stream.pieces(PIECE), start=1):
        shop.save(part_name(count - 1, "piece"), read.table)
        gathered.take_in(read)
        sample.take_in(read.table)
        ids.take_in(read.table.tree_id)
        lost += LostNames.among(read.table, stream.settings)
        watch.progress(min(count * PIECE, stream.rows), stream.rows)
    watch.log(f"{stream.settings.trees.file}: {stream.rows:,} rows, read in {count:,} pieces")
    return _Pieces(shop=shop, count=count, gathered=gathered, sample=sample, ids=ids, lost=lost)


@dataclass(frozen=True, slots=True)
class _Spread:
    """Where all trees lie now, part by part."""

    places: Spread
    parts: int


def _spread(pieces: _Pieces, sample: TreeTable, even: int, most: int, watch: Watch) -> _Spread:
    """Put all trees down by place; the pieces are gone after that."""
    places = Spread(sample.x[:even], sample.y[:even], pieces.shop)
    for trees in pieces.trees():
        places.take_in(trees.x, trees.y)
    parts = places.settle(most)
    for number, trees in enumerate(pieces.trees()):
        watch.progress(number, pieces.count)
        pieces.ids.look_at(trees)
        places.put_down(trees)
        pieces.shop.path(part_name(number, "piece")).unlink()
    return _Spread(places, parts)


class _Placer:
    """Checks and places the trees of one part after the other, as if all were there, and hears what is said."""

    def __init__(self, *, site: Site, heard: Inputs, footing: Footing, ids: IdBook, cloud: Cloud | None) -> None:
        self.site, self.heard, self.footing, self.ids, self.cloud = site, heard, footing, ids, cloud
        self.cutter = Cutter.of(site)
        self.checked: list[tuple[Note, ...]] = []
        self.placed: list[tuple[Note, ...]] = []

    def parts(self, trees: TreeTable | None, most: int) -> Iterator[Site]:
        """Return the trees of one part as a site with its ground, or as several where it is too large."""
        if trees is None:
            return
        inputs = replace(self.heard, trees=trees, layers=())
        checked = check_inputs(inputs, repeated=self.ids.repeated)
        placed = check_site(project_part(checked, self.site, self.footing), cloud=self.cloud)
        self.checked.append(checked.notes[len(inputs.notes) :])
        self.placed.append(placed.notes)
        whole = silent(placed)
        if whole.trees.n <= UNEVEN * most:
            yield self.cutter.cut(whole)
            return
        for rows in cut_trees(whole, most):
            yield self.cutter.cut(some_trees(whole, rows))


def _southern(whole: Site, even: int) -> bool:
    """Whether most trees lie south of the equator."""
    lat = whole.trees.lat[:even][whole.trees.placed[:even]]
    return bool(len(lat) and np.median(lat) < 0)


def _heard(ground: Ground, whole: Site, placer: _Placer, pieces: _Pieces) -> Heard:
    """What was said of the ground, and of the trees, part by part."""
    settings = whole.inputs.settings
    column = whole.inputs.read_as[0].facts.get("columns", {}).get("tree_id", "")
    nobody = take_rows(whole.inputs.trees, np.empty(0, dtype=np.int64), n=whole.trees.n)
    return Heard.of(
        ground,
        pieces.gathered.together(nobody),
        checked=(pieces.ids.notes(settings.trees.file, column), *placer.checked),
        brought=[note for note in whole.notes if note.code not in _UNPLACED],
        placed=placer.placed,
        last=pieces.lost.notes(settings),
    )


def _plan(parts: int, whole: Site, even: int, heard: Heard) -> Plan:
    """What the parts have in common."""
    some = some_trees(whole, np.arange(even))
    return Plan(
        parts=parts,
        site=replace(some_trees(whole, np.empty(0, dtype=np.int64)), southern=_southern(whole, even)),
        look=Lookout.of(some.trees.lon, some.trees.lat),
        box=site_box(some),
        heard=heard,
    )
