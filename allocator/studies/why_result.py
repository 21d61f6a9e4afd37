"""Why there is no plan, or not the one that is wanted: limits that conflict, as a table."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import ClassVar

from allocator.base.clock import Clock
from allocator.base.labels import labelled
from allocator.base.table import Column, Table
from allocator.engine.paths import SiteOrPath, path_of, site_of
from allocator.model.index_sets import index_sets_of
from allocator.model.kept_out import kept_out
from allocator.model.limits import Want
from allocator.network.deriving import network_of
from allocator.search.conflicts import Conflict, conflict_of
from allocator.search.elastic import Change
from allocator.site.marks import Marks
from allocator.site.records import Site
from allocator.solver.settings import Settings
from allocator.studies.limit_words import marks_of, where
from allocator.studies.most_power import GOALS, MostPower
from allocator.studies.result import StudyResult, study_json
from allocator.studies.wanted import want_of
from allocator.studies.why_words import sufficient, why_text

FORMAT = "allocator.why/1"

_LIMITS = (
    labelled("limit"),
    labelled("sufficient", "text", "The least change of this limit alone."),
    labelled("where", "text", "Its place in the site file."),
    Column("needed_proven", "proven part of the conflict", "flag"),
    labelled("kind"),
    Column("name", "name"),
    labelled("value", "number", "SI."),
    Column("dimension", "dimension"),
    Column("direction", "direction"),
    Column("least_change", "least change", "number", "SI; none where none is sufficient or known."),
    Column("proven", "proven", "flag", "No smaller change is sufficient, or none is at all."),
    Column("least_needed", "least needed", "number", "SI; what is needed in any case."),
)
_IN_JSON = (
    *("kind", "name", "where", "value", "dimension", "least_change", "direction", "proven"),
    *("least_needed", "needed_proven"),
)
_WITHOUT = (
    Column("limit", "without the limit"),
    labelled("kind"),
    Column("name", "name"),
    Column("reached", "best plan found", "power"),
    labelled("bound", "power"),
)


@dataclass(frozen=True, slots=True, repr=False)
class WhyResult(StudyResult):
    """Which limits conflict on a site, with what is wanted of it.

    Attributes:
        status: ``possible``, ``conflict``, ``unlimited`` (no limit causes it) or ``unknown``.
        minimal: whether these limits are proven to conflict, and without any of them not to.
        reached, bound: W of the only want, of the best plan found and of every plan.
        limits: the limits, each with the least change of it alone that is sufficient.
        without: what plans reach without one of the limits.
        kept_out: sources that can give no power whatever is built, each with the reason.
        conflict, wants: what was found and asked for, as records.
        text: the answer in words.
    """

    command: ClassVar[str] = "why"
    site: Site
    status: str
    minimal: bool
    reached: float | None
    bound: float | None
    limits: Table
    without: Table
    kept_out: Mapping[str, str]
    conflict: Conflict
    wants: tuple[Want, ...]
    text: str

    def summary(self) -> str:
        """The answer in words."""
        return self.text

    def to_json(self) -> str:
        """The answer as JSON."""
        return study_json(
            FORMAT,
            self.site,
            {
                "status": self.status,
                "minimal": self.minimal,
                "limits": self.limits.select(*_IN_JSON).records(),
                "rules": list(self.conflict.rules),
                "kept_out": dict(self.kept_out),
                "reached_w": self.reached,
                "bound_w": self.bound,
                "without": self.without.select("kind", "name", "reached", "bound").records(),
            },
        )


def why(
    site: SiteOrPath,
    wants: Sequence[Want | str] = (),
    *,
    file: str | os.PathLike[str] | None = None,
    settings: Settings | None = None,
) -> WhyResult:
    """Why a site has no plan, or not the one that is wanted: limits that conflict.

    Parameters
    ----------
    site
        The site, or the path of its file.
    wants
        What is wanted, such as ``"firm_clean=40kW"``, ``"connect:north"``, ``"machines.engine=3"``.
    file
        The site's file, so that limits are named with their lines; known where ``site`` is a path.
    settings
        Of the search; the time limit is that of all of it.

    Returns
    -------
    WhyResult
        ``status``: impossible, possible or unknown; ``limits``: those that conflict, each with the
        change of it that is sufficient.

    Raises
    ------
    WantError
        A want cannot be read.

    References
    ----------
    J. W. Chinneck, *Feasibility and Infeasibility in Optimization*, Springer, 2008.

    Examples
    --------
    >>> import allocator as al
    >>> result = al.why("networks/dry_valley.yaml", settings=al.Settings(node_limit=500))
    >>> result.limits.select("limit", "sufficient").rows[1]
    ('stock.steel is 3.5 t', 'sufficient: 6.28 t (+2.78 t)')
    """
    site, file = network_of(site_of(site)), file or path_of(site)
    asked = tuple(want_of(site, want) if isinstance(want, str) else want for want in wants)
    return why_result(site, conflict_for(site, settings or Settings(), asked), asked, file)


def conflict_for(site: Site, settings: Settings, wants: Sequence[Want] = ()) -> Conflict:
    """The limits that conflict.

    Where power is all that is wanted and it is not seen at once that there can be so much, a plan
    of the most power is looked for too.
    """
    site = network_of(site)
    clock = Clock(settings.time_limit if settings.node_limit is None else None)
    only_power = len(wants) == 1 and wants[0].kind in GOALS
    nearer = MostPower(site, settings, wants[0]) if only_power else None
    return conflict_of(site, settings, clock, tuple(wants), nearer=nearer)


def why_result(
    site: Site,
    found: Conflict,
    wants: Sequence[Want] = (),
    file: str | os.PathLike[str] | None = None,
) -> WhyResult:
    """The result of a conflict that was found."""
    marks = marks_of(file)
    out = {} if found.status == "possible" else kept_out(index_sets_of(network_of(site)))
    return WhyResult(
        site,
        found.status,
        found.minimal,
        found.reached,
        found.bound,
        Table(
            "limits",
            "Limits that cannot hold together",
            _LIMITS,
            tuple(_limit(change, found, marks) for change in found.changes),
        ),
        Table(
            "without",
            "Best plans found without one of the limits",
            _WITHOUT,
            tuple(
                (w.limit.stated, w.limit.kind, w.limit.name, w.reached, w.bound)
                for w in found.without
            ),
        ),
        out,
        found,
        tuple(wants),
        why_text(site, marks, found, wants),
    )


def _limit(change: Change, found: Conflict, marks: Marks | None) -> tuple[object, ...]:
    limit = change.limit
    return (
        *(limit.stated, sufficient(change), where(marks, limit)),
        *(limit not in found.unsettled, limit.kind, limit.name, limit.value, limit.dimension),
        *("more" if limit.more else "less", change.amount, change.proven, change.least),
    )
