"""The path of a run in parts: laid out once, each part worked on by whoever is there, and put together."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Iterator, Sized
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from riskmap.choose import Share
from riskmap.deliver.html_map.many import WORST_TREES
from riskmap.errors import InputError
from riskmap.in_parts.budget import Money, frontier, split_money
from riskmap.in_parts.joint import refuse_joint
from riskmap.in_parts.plan import PLAN, Plan, lay_out, part_name
from riskmap.in_parts.streaming import lay_out_stream
from riskmap.in_parts.whole import join_parts
from riskmap.in_parts.work import LEAST, Done, Task, ladder_of, price_part, work_on_part
from riskmap.in_parts.workshop import Workshop, digest_of
from riskmap.model import FloatArray, Result, Settings, Site, Watch
from riskmap.read import open_tree_stream
from riskmap.scale import Crew

__all__ = ["Size", "Steps", "work_at_once_or_in_parts"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Size:
    """From how many trees on a run is done in parts, and how large a part is.

    Attributes
    ----------
    most : int
        Trees that are done at once.
    part : int
        Trees of one part.
    worst : int
        Trees that the map shows where a run is done in parts.
    """

    most: int = 2_000_000
    part: int = 250_000
    worst: int = WORST_TREES


@dataclass(frozen=True, slots=True, kw_only=True)
class Steps:
    """The walk of a run that is done at once: a site in metres from settings, and a result from a site."""

    ready: Callable[..., Site]
    at_once: Callable[..., Result]


def work_at_once_or_in_parts(
    settings: Settings, steps: Steps, folder: Path, size: Size, crew: Crew, *, watch: Watch
) -> Result:
    """Work everything out: at once, or of very many trees part by part, going on from where an earlier run stopped.

    Parameters
    ----------
    settings : Settings
        What the site file says.
    steps : Steps
        How it is done at once.
    folder : Path
        Where parts are worked on.
    size : Size
        From how many trees on.
    crew : Crew
        Who does the work.
    watch : Watch
        Told how far the work has come.
    """
    shop = parts_kept(folder, settings, size) or begin_stream(settings, folder, size, watch=watch)
    if shop is None:
        site = steps.ready(settings, watch=watch)
        if site.trees.n <= size.most:
            return steps.at_once(site, crew, watch=watch)
        with watch.station("lay out parts"):
            shop = begin_parts(site, folder, size, watch=watch)
        del site
    return finish_parts(shop, size, crew, watch=watch)


def parts_kept(folder: Path, settings: Settings, size: Size) -> Workshop | None:
    """Return the parts that a stopped run of the very same site left, if they were all laid out."""
    if not folder.exists():
        return None
    shop = Workshop.kept(folder, digest_of(settings, part=size.part, worst=size.worst))
    return shop if shop is not None and shop.holds(PLAN) else None


def begin_stream(settings: Settings, folder: Path, size: Size, *, watch: Watch) -> Workshop | None:
    """Lay a site of very many trees out in parts while they are read; None where they have to be read whole."""
    with contextlib.ExitStack() as stack:
        try:
            stream = stack.enter_context(open_tree_stream(settings))
        except InputError:  # said together with every other fault by whoever reads all
            return None
        if stream is None or stream.rows <= size.most:
            return None
        shop = Workshop.made(folder, digest_of(settings, part=size.part, worst=size.worst))
        laid_out = lay_out_stream(stream, shop, most=size.part, at_once=size.most, watch=watch)
    return shop if laid_out else None


def begin_parts(site: Site, folder: Path, size: Size, *, watch: Watch) -> Workshop:
    """Lay a site out in parts."""
    refuse_joint(site.inputs, size.most)
    shop = Workshop.made(folder, digest_of(site.inputs.settings, part=size.part, worst=size.worst))
    lay_out(site, shop, most=size.part, watch=watch)
    return shop


def finish_parts(shop: Workshop, size: Size, crew: Crew, *, watch: Watch) -> Result:
    """Work on every part that is not done, and put all together."""
    plan: Plan = shop.load(PLAN)
    plain = Task(folder=shop.folder, name=shop.name(), number=0, look=plan.look, worst=size.worst)
    tasks = [replace(plain, number=number) for number in range(plan.parts)]
    money = _split_budget(shop, plan, tasks, crew, watch)
    if money is not None:
        shares = [Share(steps=many, price=money.split.price) for many in money.split.steps]
        tasks = [replace(task, share=share) for task, share in zip(tasks, shares, strict=True)]
    done = {number: found for number in range(plan.parts) if (found := shop.load(part_name(number, "done")))}
    waiting = [task for task in tasks if task.number not in done]
    watch.log(f"{plan.parts:,} parts, {len(done):,} of them done by an earlier run")
    worst = _Worst(shop, size.worst, done)
    with watch.station("work on parts"), _keeping(done, plan.parts):
        watch.progress(len(done), plan.parts)
        for _, one in crew.map(work_on_part, waiting):
            done[one.number] = one
            worst.hear(one)
            watch.progress(len(done), plan.parts)
    with watch.station("join parts"):
        return join_parts(plan, [done[number] for number in range(plan.parts)], shop, money=money, worst=size.worst)


def _split_budget(shop: Workshop, plan: Plan, tasks: list[Task], crew: Crew, watch: Watch) -> Money | None:
    """Have every part priced, and split the budget; None where there is none."""
    budget = plan.site.inputs.settings.choice.budget
    if math.isinf(budget):
        return None
    waiting = [task for task in tasks if not shop.holds(part_name(task.number, "priced"))]
    priced = dict.fromkeys(range(plan.parts - len(waiting)))
    with watch.station("price parts"), _keeping(priced, plan.parts):
        for _ in crew.map(price_part, waiting):
            priced[len(priced)] = None
            watch.progress(len(priced), plan.parts)
    ladders = [ladder_of(shop, task.number) for task in tasks]
    return Money(budget=budget, split=split_money(ladders, budget), frontier=frontier(ladders))


@contextlib.contextmanager
def _keeping(done: Sized, parts: int) -> Iterator[None]:
    """Say with whatever stops the work how much of it is kept."""
    try:
        yield
    except BaseException as error:
        error.add_note(f"{len(done):,} of {parts:,} parts are done and kept: the same command goes on from there")
        raise


class _Worst:
    """The worst trees so far: what a tree must at least lose to be among them is told to those who work."""

    def __init__(self, shop: Workshop, most: int, done: dict[int, Done]) -> None:
        self.shop, self.most = shop, most
        self.loss: FloatArray = np.empty(0)
        for one in done.values():
            self.hear(one)

    def hear(self, done: Done) -> None:
        """Take in what one part keeps."""
        self.loss = np.sort(np.concatenate([self.loss, done.loss]))[-self.most :]
        if len(self.loss) == self.most:
            self.shop.save(LEAST, float(self.loss[0]))
