"""What the page's server and its worker processes say to each other, and how it is framed."""

from __future__ import annotations

import pickle
import struct
from dataclasses import dataclass, field
from typing import Any, BinaryIO

from allocator.plans.records import Plan
from allocator.search import Settings
from allocator.simulation import Trace
from allocator.site.records import Site

HEAD = struct.Struct(">Q")
"""Before each message: how many bytes it has."""


@dataclass(frozen=True, slots=True)
class PlanOrder:
    """A site to plan, from the present plan.

    ``present``: the plan shown, None where there is none yet; ``former``: the site that it is for.
    ``settings``: of the whole; ``first``: seconds for the first plan to show.
    """

    site: Site
    former: Site
    present: Plan | None
    settings: Settings
    first: float


@dataclass(frozen=True, slots=True)
class YearOrder:
    """A plan to be run through a year, for the time slider."""

    site: Site
    plan: Plan


@dataclass(frozen=True, slots=True)
class ProgressNews:
    """A line of progress: for the chart in SI, and in words."""

    seconds: float
    goal: str
    value: float | None
    bound: float | None
    words: str


@dataclass(frozen=True, slots=True)
class PlanNews:
    """A plan to show: its page, and what it has differently from the present one.

    ``last``: the search is over. ``accepted``: the audit found no breach.
    """

    plan: Plan
    page: bytes
    figures: dict[str, Any]
    last: bool
    trace: Trace | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class PageNews:
    """The page of a plan again, with a year of its simulation."""

    page: bytes
    notes: tuple[str, ...] = field(default=())


@dataclass(frozen=True, slots=True)
class FaultNews:
    """Why there is no plan, and what to do; the work is over."""

    lines: tuple[str, ...]


Order = PlanOrder | YearOrder
News = ProgressNews | PlanNews | PageNews | FaultNews


def framed(what: Order | News) -> bytes:
    """A message as bytes, its length first."""
    content = pickle.dumps(what)
    return HEAD.pack(len(content)) + content


def read_framed(stream: BinaryIO) -> Any:
    """The next message of a stream. Raises EOFError where it has ended."""
    head = stream.read(HEAD.size)
    if len(head) < HEAD.size:
        raise EOFError
    return pickle.loads(stream.read(HEAD.unpack(head)[0]))
