"""Measured flows: what of a record is counted on, by hand, by brute force and by the audit."""

from __future__ import annotations

import hashlib
import os
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import allocator as al
from allocator.cycles import curve_of
from allocator.network.reading import check_site, read_site
from allocator.site.recorded import bound_of, least_in_window, store_in_record, without_gaps
from allocator.site.records import RecordedFlow, Site, Stage
from allocator.site.writing import series_texts, site_text
from allocator.verify import recorded as rule
from allocator.verify.report import Findings
from allocator.verify.tanks.circuit import SourceClock
from allocator.verify.tanks.true_clocks import _recorded_clock

LAWS = int(os.environ.get("ALLOCATOR_LAWS", "25"))
SITE = """\
format: allocator.site/2
fluids: {gas: {heating_value: 50 MJ/kg}}
places: {well: {at: [0, 0]}, works: {at: [400 m, 0]}}
sources: {a: {place: well, fluid: gas, series: {csv: log.csv}}}
storage:
  holder: {holds: gas, places: [works], size: {max: 60 kg}}
  cells: {holds: power, places: [works], size: {max: 400 kWh}}
pipes: {dn25: {capacity: 10 g/s}}
routes: {track: {between: [well, works], pipes: [dn25]}}
machines:
  engine: {inputs: {gas: 0.3 g/s}, outputs: {power: 5 kW}, places: {works: 5}}
demands: {town: {power: 40 kW}}
"""
LOG = "time [h],flow [g/s]\n" + "".join(
    f"{hour},{(2.0 if 6 <= hour % 24 < 18 else 0.4) - 0.05 * (hour % 7)}\n" for hour in range(168)
)


def _written(folder: Path, log: str = LOG, site: str = SITE) -> Path:
    (folder / "log.csv").write_text(log, encoding="utf-8")
    path = folder / "site.yaml"
    path.write_text(site, encoding="utf-8")
    return path


def test_a_square_wave_by_hand() -> None:
    """2 g/s for 6 h, nothing for 6 h, twice over a day: 12 h bring 43.2 kg, 6 h may bring none."""
    hour = 3600.0
    record = RecordedFlow(0.0, (0.0, 6 * hour, 12 * hour, 18 * hour), (2e-3, 0, 2e-3, 0), 24 * hour)
    found = bound_of(record, 0.8, 12 * hour, None)
    assert found.amount == pytest.approx(43.2)
    assert found.max_flow == 2e-3
    assert found.on == pytest.approx(6 * hour)
    assert bound_of(record, 0.8, 6 * hour, None).amount == 0.0
    # at 1 g/s taken, 12 h bring 21.6 kg, still as one burst of 6 h
    assert bound_of(record, 0.8, 12 * hour, 1e-3).on == pytest.approx(6 * hour)
    assert store_in_record(record, 1e-3) == pytest.approx(21.6)
    assert store_in_record(record, 1.01e-3) is None


RECORDS = st.lists(
    st.tuples(st.integers(1, 9), st.sampled_from([0.0, 0.5, 1.0, 3.0])), min_size=3, max_size=12
)


@settings(max_examples=LAWS, deadline=None)
@given(RECORDS, st.integers(1, 20), st.sampled_from([None, 0.7, 2.0]))
def test_no_window_of_a_record_brings_less_than_its_cycle(
    steps: list[tuple[int, float]], window: int, most: float | None
) -> None:
    starts = np.append(0, np.cumsum([span for span, _ in steps]))
    length = float(starts[-1])
    levels = [level for _, level in steps]
    if not any(levels) or window > length:
        return
    record = RecordedFlow(float(window), tuple(map(float, starts[:-1])), tuple(levels), length)
    bound = bound_of(record, 0.8, float(window), most)
    # every window of whole seconds, summed second by second: ends of windows are at steps
    each = np.repeat(np.minimum(levels, bound.max_flow), np.diff(starts))
    total = np.append(0.0, np.cumsum(each))
    if bound.amount > 0:
        stages = () if bound.on >= window else (Stage(bound.on, float(window)),)
        tau = curve_of(stages).guaranteed(np.arange(length + 1))
        for span in range(1, int(length) + 1):
            assert bound.max_flow * tau[span] <= (total[span:] - total[:-span]).min() + 1e-9
    assert bound.amount == pytest.approx((total[window:] - total[:-window]).min())
    own = min(rule._windows(record, bound.max_flow, float(window)))
    assert own == pytest.approx(bound.amount, abs=1e-12)


def test_windows_between_steps() -> None:
    least = least_in_window(np.array([0.0, 2.0, 3.0]), np.array([1.0, 0.0, 4.0]), 5.0, 1.5)
    assert least == pytest.approx(0.5)  # from 1.5 to 3
    record = RecordedFlow(1.5, (0.0, 2.0, 3.0), (1.0, 0.0, 4.0), 5.0)
    assert min(rule._windows(record, 9.0, 1.5)) == pytest.approx(0.5)


def test_nothing_is_counted_on_in_gaps() -> None:
    starts = [float(second) for second in (*range(30), 90)]
    levels, gaps = without_gaps(starts, [1.0] * 31)
    assert gaps == 1
    assert levels == [1.0] * 29 + [0.0, 1.0]


def test_a_site_with_a_record_is_written_and_read_back(tmp_path: Path) -> None:
    path = _written(tmp_path)
    site = read_site(path)
    (stage,) = site.sources["a"].stages
    record = site.sources["a"].series
    assert record is not None
    assert record.window == stage.every
    content = path.read_bytes() + (tmp_path / "log.csv").read_bytes()
    assert site.sha256 == hashlib.sha256(content).hexdigest()
    (tmp_path / "again").mkdir()
    again = tmp_path / "again" / "site.yaml"
    again.write_text(site_text(site), encoding="utf-8")
    for name, text in series_texts(site).items():
        (again.parent / name).write_text(text, encoding="utf-8")
    assert replace(read_site(again), sha256=site.sha256) == site


@pytest.mark.slow
def test_a_plan_keeps_its_promise_through_the_record(tmp_path: Path) -> None:
    """Planned, audited and simulated; then the record itself is marched through the store."""
    site = read_site(_written(tmp_path))
    plan = al.plan(site, node_limit=200).plan
    assert al.audit(site, plan).accepted
    (use,) = plan.sources
    assert set(use.collect) == {"store:holder@works"}  # never burnt as it comes
    (store,) = [one for one in plan.stores if one.size > 0]
    rate = use.collect["store:holder@works"]
    draw = plan.power.firm_total / 5e3 * 0.3e-3
    record = site.sources["a"].series
    assert record is not None
    level = store.size
    for step, flow in zip(np.diff([*record.starts, record.length]), record.levels, strict=True):
        level = min(level + step * (min(flow, rate) - draw), store.size)
        assert level >= -1e-6
    # the simulation does the same: the record as it was, from its first row to its last
    trace = al.simulate(site, plan, days=30, draws=1)
    assert trace.kept
    (replayed,) = [draw for draw in trace.draws if draw.name == "as recorded"]
    assert replayed.seconds == record.length
    (tank,) = [tank for tank in replayed.tanks if tank.name == "holder@works"]
    came = np.minimum(record.levels, rate) @ np.diff([*record.starts, record.length])
    assert tank.arrived == pytest.approx(came, rel=1e-6)
    # a phase that is seen of it says nothing of what comes: the record keeps none
    need = al.reserve_now(site, plan)
    assert al.reserve_now(site, plan, {"a": al.SourceState(on=True, since=0.0)}) == need
    # a record that brings less than the plan counts on breaks the promise in that draw alone
    less = replace(record, levels=tuple(0.5 * level for level in record.levels))
    poorer = replace(site, sources={"a": replace(site.sources["a"], series=less)})
    claimed = replace(plan, verified=False)
    trace = al.simulate(poorer, claimed, days=30, draws=1)
    assert [draw.name for draw in trace.broken] == ["as recorded"]
    # a cycle that promises more than the record is found by the audit alone
    source = site.sources["a"]
    more = replace(source, stages=(Stage(source.stages[0].on * 1.001, source.stages[0].every),))
    tampered = replace(site, sources={"a": more})
    assert "series_inflow" in {breach.rule for breach in al.audit(tampered, plan).breaches}


def test_a_shorter_record_goes_on_with_its_cycle() -> None:
    """One day of 12 h on and 12 h off, for three days; 8 h of each 24 h are counted on."""
    hour = 3600.0
    record = RecordedFlow(24 * hour, (0.0, 12 * hour), (3.0, 0.0), 24 * hour)
    source = al.Source("a", "p", "gas", 2.0, (Stage(8 * hour, 24 * hour),), series=record)
    clock = SourceClock("a", "source", 24 * hour, np.array([0.0]), np.array([1.0]), "a")
    found = _recorded_clock(source, record, clock, 72 * hour)
    assert (found.times / hour).tolist() == [0, 12, 24, 32, 48, 56]
    assert found.values.tolist() == [1, 0, 1, 0, 1, 0]
    assert found.period == 72 * hour


@pytest.mark.parametrize(
    "times",
    [
        ("2027-03-14 22:00", "2027-03-14T23:30", "2027-03-15 01:00", "2027-03-15 03:00:00"),
        (
            "2027-03-28 01:30+01:00",
            "2027-03-28 04:00+02:00",  # 1.5 h later: clocks were put on in between
            "2027-03-28 03:30Z",
            "2027-03-28 05:30Z",
        ),
    ],
)
def test_times_of_a_record_may_be_dates(times: tuple[str, ...], tmp_path: Path) -> None:
    rows = "".join(f"{time},1\n" for time in times)
    site = read_site(_written(tmp_path, f"time,flow [g/s]\n{rows}"))
    record = site.sources["a"].series
    assert record is not None
    assert record.starts == (0.0, 5400.0, 10800.0, 18000.0)
    assert record.length == 25200.0


@pytest.mark.parametrize(
    ("log", "fault"),
    [
        ("time,flow [g/s]\n2027-03-14,1\n2027-03-13,1\n", "3:1: source 'a': time must rise"),
        ("time,flow [g/s]\n2027-03-14,1\n7,1\n", "3:1: source 'a': expects a date, got '7'"),
        ("time,flow [g/s]\n2027-03-14,1\n2027-13-14,1\n", "3:1: source 'a': expects a date"),
        ("time [h],flow [g/s]\n2027-03-14,1\n", "2:1: source 'a': "),
        (
            "time,flow [g/s]\n2027-03-14 01:00,1\n2027-03-14 02:00Z,1\n",
            "3:1: source 'a': has dates with and without a time zone",
        ),
        ("time [h],flow [g/s]\n0,1,5\n1,2,5\n", "2:1: source 'a': expects two columns"),
        ("time [h],flow [g/s]\n0,1\n1,nan\n", "3:2: source 'a': "),
        ("time [h],flow [g/s]\n0,1\n2,1\n1,1\n", "4:1: source 'a': time must rise"),
        ("time [h],flow [g/s]\n0,1\n1,-1\n", "3:2: source 'a': must not be negative"),
        ("time [h],flow [g/s]\n0,1\n", "1:1: source 'a': has too few rows of data (1)"),
        ("time [h],flow [kW]\n0,1\n1,1\n", "1:2: source 'a': heading 'flow [kW]'"),
    ],
)
def test_faults_of_records(log: str, fault: str, tmp_path: Path) -> None:
    path = _written(tmp_path, log)
    (found,) = check_site(path).faults
    assert str(found).startswith(f"{tmp_path / 'log.csv'}:{fault}")


@pytest.mark.parametrize(
    ("old", "new", "fault"),
    [
        ("{csv: log.csv}", "{csv: log.csv, window: 8 d}", "series.window is longer than the "
         "record (7 d); give a shorter one"),
        ("{csv: log.csv}", "{csv: none.csv}", "series.csv names 'none.csv', which cannot be read "
         "(No such file or directory); paths start at the folder of the site file"),
        ("series: {", "flow: 1 g/s, series: {", "has keys of more than one of: 'flow', or "
         "'series'; keep one"),
        ("series: {", "cycle: [{on: 1 h, every: 2 h}], series: {", "has both 'series' and "
         "'cycle'; keep one of them"),
        ("50 MJ/kg", "50 MJ/kg, vented_weight: 28", "series cannot be used for 'gas', of which "
         "vented gas is counted: no more than the least flow is known to be used; give 'flow' and "
         "'cycle', or the fluid 'vented_weight: 0'"),
    ],
)  # fmt: skip
def test_faults_of_series(old: str, new: str, fault: str, tmp_path: Path) -> None:
    path = _written(tmp_path, site=SITE.replace(old, new))
    (found,) = check_site(path).faults
    assert str(found).endswith(f": source 'a': {fault}")


def test_a_record_without_a_sure_flow_is_told(tmp_path: Path) -> None:
    path = _written(tmp_path, "time [h],flow [g/s]\n0,1\n1,0\n9,0\n10,0\n")
    (found,) = check_site(path).faults
    assert "is sure to give nothing: the record has no flow for 10 h" in str(found)


def test_the_audit_needs_one_stage_of_the_window(tmp_path: Path) -> None:
    site: Site = read_site(_written(tmp_path))
    source = site.sources["a"]
    other = replace(source, stages=(Stage(60.0, 120.0),))
    whole = type("Whole", (), {"own_sources": {"a": other}})
    case = type("OneSource", (), {"whole": whole})
    findings = Findings()
    rule.check_records(case, findings)  # type: ignore[arg-type]
    assert {breach.rule for breach in findings.report().breaches} >= {"series_stage"}


@pytest.mark.parametrize("heading", ["time", "Day", "time [UTC]", "time_local"])
def test_an_hour_that_summer_time_skips_is_told(heading: str, tmp_path: Path) -> None:
    """As ``fit`` tells it; a record whose heading says UTC has none."""
    times = [datetime(2027, 3, 27) + timedelta(minutes=30 * row) for row in range(96)]
    rows = "".join(f"{t + timedelta(hours=t >= datetime(2027, 3, 28, 2))},1\n" for t in times)
    report = check_site(_written(tmp_path, f"{heading},flow [g/s]\n{rows}"))
    told = [warning for warning in map(str, report.warnings) if "summer" in warning]
    if "UTC" in heading:
        assert not told
    else:
        assert "no rows from 2027-03-28 02:00 to 03:00, as where clocks change" in told[0]
        assert told[0].endswith("write times in UTC or with their offset, such as +02:00")


def test_an_hour_that_comes_twice_is_told_at_its_row(tmp_path: Path) -> None:
    times = [datetime(2027, 10, 30) + timedelta(minutes=30 * row) for row in range(96)]
    rows = "".join(f"{t - timedelta(hours=t >= datetime(2027, 10, 31, 3))},1\n" for t in times)
    (fault,) = check_site(_written(tmp_path, f"time,flow [g/s]\n{rows}")).faults
    assert str(fault).endswith(
        "log.csv:56:1: source 'a': the clock jumps back here, as where summer time ends; "
        "sort the rows or mend the clock; give dates with their time zone"
    )
