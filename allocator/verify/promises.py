"""Rules of stores of fluid: rates, the long run, and every window."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from allocator.plans.records import FLAT
from allocator.verify.case import ROUNDING, Case
from allocator.verify.cycle import Cycle
from allocator.verify.report import LIMIT, Findings
from allocator.verify.timetables import need_until
from allocator.verify.windows import MOST_STEPS, Shortfall, shortfall
from allocator.verify.without import without
from allocator.verify.words import spoken

NEARLY = 1e-7
"""Of a promise with more windows that are nearly the worst than can be told apart at
:data:`LIMIT` in :data:`FEW_STEPS`."""
FEW_STEPS = MOST_STEPS // 20
ROOM = 1e-6
"""kg: what a store may lack of what it must hold when another operation follows."""


@dataclass(frozen=True, slots=True)
class AuditedPromise:
    """What a store or a part of a battery promises.

    ``rule``: how its rules begin. ``unit``: kg or J, that of ``size``. ``loss``: share of the size
    a second. ``inflow``: steady, a second. ``draw``: mean by shape, a second.
    """

    rule: str
    unit: str
    size: float
    loss: float
    inflow: float
    draw: Mapping[str, float]


def check_stores(case: Case, findings: Findings) -> None:
    """``size (1 - loss L) + sum_s r_s tau_s(L) + inflow L >= flat L + sum_j f_j beta_j(L)``

    for every L > 0; fill and release within the store's rates.
    """
    for store in case.plan.stores:
        kind = case.site.storage[store.type]
        name = f"store:{store.name}"
        subject = f"store {store.name!r}"
        filled = math.fsum([case.arriving(name), store.inflow])
        if kind.fill_rate is not None:
            findings.at_most(
                "store_fill_rate",
                subject,
                filled,
                kind.fill_rate,
                "kg/s",
                "what flows in with all on",
            )
        if kind.release_rate is not None:
            released = case.at_peak(store.draw)
            findings.at_most(
                "store_release_rate",
                subject,
                released,
                kind.release_rate,
                "kg/s",
                "what flows out at peak",
            )
        if not any(store.draw.values()):
            continue  # what promises nothing may stand empty, and nobody need feed it
        supply = [
            (source.name, case.sure[source.name], rate) for source, rate in case.collected(name)
        ]
        promise = AuditedPromise("store", "kg", store.size, kind.loss, store.inflow, store.draw)
        check_promise(case, findings, subject, promise, supply)
        handover = case.site.handover
        if handover is not None and store.name in handover.kept:
            need = _need_until(case, promise, supply, handover.at)
            left = store.size - handover.kept[store.name]
            findings.at_least(
                "store_handover", subject, left, need, "kg", "what may be lacking in the end", ROOM
            )


def _need_until(
    case: Case,
    promise: AuditedPromise,
    supply: Sequence[tuple[str, Cycle, float]],
    end: float,
) -> float:
    """Largest need over windows that end at a time, kg."""
    parts = [(cycle, rate) for _, cycle, rate in supply]
    parts += [(case.shape_cycles[s], mean) for s, mean in promise.draw.items() if s != FLAT]
    flat = promise.loss * promise.size - promise.inflow + promise.draw.get(FLAT, 0.0)
    return need_until(parts, flat, end)


def check_promise(
    case: Case,
    findings: Findings,
    subject: str,
    promise: AuditedPromise,
    supply: Sequence[tuple[str, Cycle, float]],
) -> None:
    """Rules ``<rule>_long_run`` and ``<rule>_cut`` of one promise.

    ``supply``: source, cycle and rate while on. A plan that says it withstands lost and low sources
    keeps both rules without any such sources: ``<rule>_without_long_run`` and
    ``<rule>_without_cut``. What is promised less the share :data:`LIMIT` of it is there for ever.
    """
    _keeps(case, findings, subject, promise, [(cycle, rate) for _, cycle, rate in supply])
    if not any(promise.draw.values()):
        return
    weaker = replace(promise, rule=f"{promise.rule}_without")
    for words, left in without(case, findings, subject, supply):
        _keeps(case, findings, f"{subject} without {words}", weaker, left)


def _keeps(
    case: Case,
    findings: Findings,
    subject: str,
    promise: AuditedPromise,
    supply: Sequence[tuple[Cycle, float]],
) -> None:
    rule, unit, size, inflow = promise.rule, promise.unit, promise.size, promise.inflow
    draw = {shape: mean * (1.0 - LIMIT) for shape, mean in promise.draw.items()}
    lost = promise.loss * size
    gets = math.fsum([inflow, *(rate * cycle.mean for cycle, rate in supply)])
    gives = math.fsum([lost, *draw.values()])
    findings.at_least(
        f"{rule}_long_run",
        subject,
        gets,
        gives,
        "W" if unit == "J" else "kg/s",
        "the guaranteed inflow over the long run",
        ROUNDING * max(gets, gives),
    )
    if gets < gives * (1 - ROUNDING):
        return  # every store fails sooner or later, whatever its size
    short = _short(case, supply, lost - inflow, draw, size, steps=FEW_STEPS)
    if short is not None and short.kind == "unproven":
        less = {shape: mean * (1.0 - NEARLY) for shape, mean in draw.items()}
        short = _short(case, supply, lost - inflow, less, size)
    findings.count(f"{rule}_cut")
    if short is None:
        return
    where = {
        "window": f"in windows of {spoken(short.length, 's')}",
        "tail": f"in windows longer than {spoken(short.length, 's')}, as far as can be proven",
        "unproven": "or not: the search was given up before it had proven every window",
    }[short.kind]
    findings.breach(
        f"{rule}_cut",
        subject,
        short.amount,
        unit,
        f"holds {spoken(size, unit)} and is {spoken(short.amount, unit)} short of its firm output"
        f" {where}",
    )


def _short(
    case: Case,
    supply: Sequence[tuple[Cycle, float]],
    beside: float,
    draw: Mapping[str, float],
    size: float,
    steps: int = MOST_STEPS,
) -> Shortfall | None:
    """The shortfall in the worst window. ``beside``: constant draw beside what is promised."""
    shapes = [(case.shape_cycles[s], mean) for s, mean in draw.items() if s != FLAT and mean > 0]
    flat = math.fsum([beside, draw.get(FLAT, 0.0)])
    return shortfall([*supply, *shapes], flat, size, steps=steps)
