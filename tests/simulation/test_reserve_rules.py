"""Reserve rules: what a store must hold now, against futures run by hand; and runs by the rule."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import allocator as al
from allocator.simulation.rules import rules_of
from allocator.simulation.tracing import assemble
from tests.search.test_known_phases import HOUR, site_of, source

FIRST = "networks/first.yaml"
STORE = "gas_holder@mill"


@pytest.fixture(scope="module")
def first() -> al.Plan:
    return al.plan(FIRST, node_limit=1000).plan


@pytest.mark.parametrize(
    ("on", "hours", "kg"),
    [
        (True, 0.0, 0.0),  # 6 h of gas are what a day needs
        (True, 3.0, 65.0),
        (False, 0.0, 130.0),  # 18 h of 2.00617 g/s
        (False, 9.0, 65.0),
        (False, 18.0, 0.0),
    ],
)
def test_one_source_by_hand(first: al.Plan, on: bool, hours: float, kg: float) -> None:
    seen = {"digester": al.SourceState(on, hours * HOUR)}
    assert al.reserve_now(FIRST, first, seen)[STORE] == pytest.approx(kg, abs=1e-3)


def test_nothing_seen_is_the_whole_reserve(first: al.Plan) -> None:
    assert al.reserve_now(FIRST, first)[STORE] == pytest.approx(130.0, abs=1e-3)
    impossible = {"digester": al.SourceState(on=True, since=7 * HOUR)}  # never on for so long
    assert al.reserve_now(FIRST, first, impossible)[STORE] == pytest.approx(130.0, abs=1e-3)
    with pytest.raises(ValueError, match="'nobody' is no source"):
        al.reserve_now(FIRST, first, {"nobody": al.SourceState(on=True, since=0.0)})
    with pytest.raises(ValueError, match="since must be 0 s or more"):
        al.SourceState(on=True, since=-1.0)
    for at in (-1.0, float("nan"), float("inf")):
        with pytest.raises(ValueError, match="at must be 0 s or more"):
            al.reserve_now(FIRST, first, at=at)


INNER = (al.Stage(10.0, 40.0), al.Stage(100.0, 1000.0))


def true_on(clock: dict[str, float], stages: tuple[al.Stage, ...], span: float) -> np.ndarray:
    """On or off second by second, from a place in the cycle, each burst shifted by jitter."""
    rng = np.random.default_rng(int(clock["seed"]))
    seconds = int(span)
    period = int(stages[-1].every)
    on = np.zeros(seconds + 2 * period, bool)
    free = 0
    for start in range(-period, seconds + period, period):
        inner = [(start, start + int(stages[-1].on))]
        if len(stages) > 1:
            every, length = int(stages[0].every), int(stages[0].on)
            begin, end = inner[0]
            inner = [(t, min(t + length, end)) for t in range(begin, end, every)]
        for begin, end in inner:
            shift = int(rng.integers(-clock["jitter"], clock["jitter"] + 1))
            moved = max(free, begin + shift + period)
            free = moved + end - begin
            on[moved:free] = True
    return on[period:]


@pytest.mark.parametrize("jitter", [0.0, 4.0])
@pytest.mark.parametrize("stages", [(al.Stage(300.0, 1000.0),), INNER])
def test_no_admitted_future_empties_a_store_at_its_reserve(jitter: float, stages) -> None:
    """From any second of a run, a store that holds its reserve by what is seen never runs dry."""
    sources = [source(n, 0.0, stages=stages, jitter=jitter) for n in ("a", "b")]
    site = site_of(*(replace(one, next_start=None) for one in sources), steel=20.0)
    plan = al.plan(site, node_limit=1000).plan
    (store,) = plan.stores
    draw = sum(store.draw.values())
    rates = {use.name: use.collect.get(f"store:{store.name}", 0.0) for use in plan.sources}
    rng = np.random.default_rng(5)
    closest = np.inf
    for number in range(6):
        worlds = {
            name: true_on({"seed": 100 * number + k, "jitter": jitter}, stages, 6000)
            for k, name in enumerate(rates)
        }
        place = {name: int(rng.integers(0, 1000)) for name in rates}
        run = {name: worlds[name][place[name] :][:4000] for name in rates}
        net = sum(rates[name] * run[name] for name in rates) - draw
        for at in rng.integers(1200, 2200, 8).tolist():
            states = {}
            for name in rates:
                now = bool(run[name][at])
                changes = np.flatnonzero(run[name][:at] != now)
                states[name] = al.SourceState(now, float(at - changes[-1] - 1))
            keep = al.reserve_now(site, plan, states)[store.name]
            assert keep <= store.size * (1 + 1e-9)
            lowest = keep + np.minimum.accumulate(np.cumsum(net[at:]))[-1]
            assert lowest >= -1e-6
            closest = min(closest, lowest / store.size)
    assert closest < 0.3  # the rule is no full store under another name


def test_runs_by_the_rule_keep_the_promise_and_burn_no_less(first: al.Plan) -> None:
    trace = al.simulate(FIRST, first, hold="rule", days=20, draws=2)
    assert trace.kept
    assert trace.full_total_w is not None
    assert trace.mean("mean_total_w") >= trace.full_total_w * (1 - 1e-9)
    assert [(rule.state, rule.free) for rule in trace.rules] == [("any", ("digester",)), ("on", ())]


@pytest.mark.parametrize(
    "known", [{"drift": 0.02}, {"jitter": 900.0}, {"clock": "calendar", "error": 900.0}]
)
def test_runs_by_the_rule_under_inexact_clocks(known: dict[str, float]) -> None:
    site = site_of(source("a", 0.0, **known), source("b", 9 * HOUR, **known), steel=1000.0)
    trace = al.simulate(site, al.plan(site, node_limit=1000).plan, hold="rule", days=10, draws=2)
    assert trace.kept


def test_a_rule_that_keeps_too_little_is_refused() -> None:
    known = {"clock": "calendar", "error": 300.0}
    site = site_of(source("a", 0.0, **known), source("b", 12 * HOUR, **known))
    plan = al.plan(site, node_limit=1000).plan
    points = plan.set_points
    assert points is not None
    assert (points.rules, True) == rules_of(assemble(site, plan))
    assert [(rule.state, rule.at) for rule in points.rules] == [
        ("any", None),
        ("time", 300.0),
        ("time", 12 * HOUR + 300.0),
    ]
    assert al.audit(site, plan).accepted
    for k, rule in enumerate(points.rules):
        for change, broken in (
            ({"keep": 0.9 * rule.keep}, "reserve_rule"),
            ({"burn_above": 0.9 * rule.burn_above}, "reserve_rule"),
            ({"burn_above": 1.1 * rule.burn_above}, "reserve_rule"),
            ({"store": "nothing@farm"}, "set_points"),
            ({"unit": "J"}, "set_points"),
            ({"free": ("b",)}, "set_points"),
            ({"every": 7.0}, "set_points"),
            ({"state": "on", "source": "nobody"}, "set_points"),
        ):
            rules = (*points.rules[:k], replace(rule, **change), *points.rules[k + 1 :])
            report = al.audit(site, replace(plan, set_points=replace(points, rules=rules)))
            found = {breach.rule for breach in report.breaches}
            assert broken in found or "name" in str(found), change
