"""Clocks of sources in a site file: what is read, and what is refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from allocator.network.deriving import network_of
from allocator.network.reading import check_site
from allocator.site.clocks import Timing, timings_of
from allocator.site.records import Stage
from allocator.site.writing import site_text

SITE = """\
format: allocator.site/2
fluids: {gas: {phase: gas, heating_value: 20 MJ/kg}}
places: {farm: {}}
sources:
  digester: {place: farm, fluid: gas, flow: 6 g/s, SAID}
machines:
  engine: {inputs: {gas: 1.5 g/s}, outputs: {power: 10 kW}, places: {farm: 10}}
demands: {all: {power: 100 kW}}
starts_at: 2027-03-01T06:00
"""
DAILY = "cycle: [{on: 12 h, every: 24 h}]"


def report(tmp_path: Path, said: str):
    path = tmp_path / "site.yaml"
    path.write_text(SITE.replace("SAID", said), encoding="utf-8")
    return check_site(path)


def timing(tmp_path: Path, said: str) -> Timing:
    read = report(tmp_path, said)
    assert read.site is not None, [str(fault) for fault in read.faults]
    text = tmp_path / "again.yaml"
    text.write_text(site_text(read.site), encoding="utf-8")
    again = check_site(text).site
    assert timings_of(again) == timings_of(read.site)
    return timings_of(network_of(read.site))["digester"]


HOUR = 3600.0
HALF = (Stage(12 * HOUR, 24 * HOUR),)


@pytest.mark.parametrize(
    ("said", "expected"),
    [
        (DAILY, Timing(HALF)),
        (f"{DAILY}, next_start: 3 h", Timing(HALF)),
        (f"{DAILY}, drift: 2 %", Timing(HALF, 0.02)),
        (
            "cycle: [{on: {low: 10 h, high: 12 h, varies: true}, "
            "every: {low: 20 h, high: 28 h, varies: true}}]",
            Timing((Stage(10 * HOUR, 28 * HOUR),)),
        ),
        ("cycle: [{on: {low: 10 h, high: 14 h}, every: 24 h}]", Timing(HALF)),
        (
            "delivery: {every: {low: 20 h, high: 28 h, varies: true}, batch: 100 kg}",
            Timing((Stage(100 / 0.006, 28 * HOUR),)),
        ),
        (
            f"{DAILY}, next_start: 3 h, clock: calendar, error: 5 min",
            Timing(HALF, 0.0, 0.0, 3 * HOUR, 300.0),
        ),
        (
            f"{DAILY}, next_start: 3 h, clock: surveyed, error: 0 s",
            Timing(HALF, 0.0, 0.0, 3 * HOUR, 0.0),
        ),
        (f"{DAILY}, next_start: 3 h, clock: surveyed, error: 0 s, drift: 1 %", Timing(HALF, 0.01)),
        (f"{DAILY}, jitter: 5 min", Timing(HALF, 0.0, 300.0)),
        (
            f"{DAILY}, next_start: 3 h, clock: calendar, error: 0 s, jitter: 5 min",
            Timing(HALF, 0.0, 300.0, 3 * HOUR, 0.0),
        ),
        (
            "cycle: [{on: {low: 1 h, high: 2 h, varies: true}, every: 3 h}, "
            "{on: {low: 10 h, high: 12 h, varies: true}, every: 24 h}]",
            Timing((Stage(HOUR, 3 * HOUR), Stage(10 * HOUR, 24 * HOUR)), varying=1),
        ),
        (
            "cycle: [{on: 1 h, every: 3 h}, {on: {low: 10 h, high: 12 h, varies: true}, "
            "every: 24 h}]",
            Timing((Stage(HOUR, 3 * HOUR), Stage(10 * HOUR, 24 * HOUR))),
        ),
        (f"{DAILY}, next_start: 3 h, clock: surveyed, error: 12 h", Timing(HALF)),
        (
            "cycle: [{on: {low: 10 h, high: 12 h, varies: true}, every: 24 h}], "
            "clock: calendar, next_start: 3 h, error: 0 s, jitter: 1 min",
            Timing((Stage(10 * HOUR, 24 * HOUR),), 0.0, 60.0),
        ),
    ],
)
def test_what_is_sure(tmp_path: Path, said: str, expected: Timing) -> None:
    assert timing(tmp_path, said) == expected


@pytest.mark.parametrize(
    ("said", "key", "problem"),
    [
        (f"{DAILY}, clock: surveyed, error: 0 s", "clock:", "'next_start' is not given"),
        (f"{DAILY}, clock: calendar, next_start: 0 s", "clock:", "'error' is not given"),
        (f"{DAILY}, error: 5 min", "error:", "but the clock is free"),
        (
            f"{DAILY}, clock: surveyed, next_start: 0 s, error: 25 h",
            "error:",
            "is longer than the cycle (25 h > 24 h)",
        ),
        (f"{DAILY}, drift: 100 %", "drift:", "drift must be below 100 %"),
        (f"{DAILY}, jitter: 1 d", "jitter:", "as long as the period of the first stage"),
        (
            f"{DAILY}, clock: calendar, next_start: 0 s, error: 0 s, drift: 1 %",
            "drift:",
            "never drifts",
        ),
        (
            "cycle: [{on: 2 h, every: 5 h}], clock: calendar, next_start: 0 s, error: 0 s",
            "clock:",
            "the nearest that do: 4.94 h and 5.09 h",
        ),
        (
            "cycle: [{on: 2 h, every: 8 d}], clock: calendar, next_start: 0 s, error: 0 s",
            "clock:",
            "the nearest that do: 7 d",
        ),
        (
            "cycle: [{on: 2 h, every: 604801 s}], clock: calendar, next_start: 0 s, error: 0 s",
            "clock:",
            "its period (604801.0 s) does not divide; the nearest that do: 7 d",
        ),
        ("drift: 1 %", "drift:", "always on"),
        (f"{DAILY}, clock: sundial", "clock:", "'sundial' is unknown"),
        (
            "cycle: [{on: 10 s, every: {low: 20 s, high: 30 s, varies: true}}, "
            "{on: 12 h, every: 24 h}]",
            "cycle:",
            "about 1728 bursts in a period of its outermost stage; more than 500",
        ),
    ],
)
def test_what_is_refused(tmp_path: Path, said: str, key: str, problem: str) -> None:
    faults = [f for f in report(tmp_path, said).faults if problem in str(f)]
    assert faults, [str(fault) for fault in report(tmp_path, said).faults]
    text = SITE.replace("SAID", said).splitlines()[faults[0].line - 1]
    place = text.index(key) + len(key)
    assert faults[0].column - 1 in (text.index(key), place + 1)


def test_a_phase_that_is_not_used_is_noted(tmp_path: Path) -> None:
    warnings = report(tmp_path, f"{DAILY}, next_start: 3 h").warnings
    assert any("not its clock, which is taken as free" in str(warning) for warning in warnings)
    said = f"{DAILY}, next_start: 3 h, clock: surveyed, error: 0 s"
    assert not any("clock" in str(warning) for warning in report(tmp_path, said).warnings)
    varies = "cycle: [{on: {low: 10 h, high: 12 h, varies: true}, every: 24 h}]"
    said = f"{varies}, next_start: 3 h, clock: surveyed, error: 0 s"
    notes = [str(warning) for warning in report(tmp_path, said).warnings]
    assert sum("its phase is lost" in note for note in notes) == 1
    assert not any("its error is half its period" in note for note in notes)


@pytest.mark.parametrize("said", ["jitter: 5 min", "drift: 1 %"])
def test_a_chamber_beside_an_inexact_cycle_is_noted_and_not_drawn_on(
    tmp_path: Path, said: str
) -> None:
    gas = "constants: {density: 1.2 kg/m^3}"
    pump = "pump: {energy: 1 kJ/kg, chamber: {volume: 9 m^3, min_pressure: 1.1 bar}}"
    for inexact in (True, False):
        text = f"{DAILY}, {said if inexact else 'next_start: 0 s'}, pressure: 2 bar, {pump}"
        path = tmp_path / "site.yaml"
        text = SITE.replace("SAID", text).replace("20 MJ/kg", f"20 MJ/kg, {gas}")
        path.write_text(text, encoding="utf-8")
        read = check_site(path)
        assert read.site is not None, read.faults
        notes = [str(warning) for warning in read.warnings]
        assert any("firm output does not count on its chamber" in n for n in notes) is inexact
        assert len(network_of(read.site).sources) == (1 if inexact else 2)


def test_a_calendar_needs_the_time_that_it_counts_from(tmp_path: Path) -> None:
    path = tmp_path / "site.yaml"
    said = f"{DAILY}, next_start: 3 h, clock: calendar, error: 0 s"
    text = SITE.replace("SAID", said).replace("starts_at: 2027-03-01T06:00\n", "")
    path.write_text(text, encoding="utf-8")
    (fault,) = [str(fault) for fault in check_site(path).faults]
    assert "source 'digester': clock is tied to the day or the week, but the site has no" in fault
    assert f":5:{text.splitlines()[4].index('calendar') + 1}:" in fault


@pytest.mark.parametrize(
    ("top", "said", "problem"),
    [
        ("survey_ends: 3 d", "surveyed", "counts from 'starts_at', which is not given"),
        (
            "starts_at: 2027-03-01T06:00\nsurvey_ends: 3 d",
            "calendar",
            "survey_ends is given, but no source has 'clock: surveyed'",
        ),
        ("starts_at: next week", "calendar", "starts_at is no date and time (got 'next week')"),
        ("starts_at: 2027-03-01T06:00\nsurvey_ends: -3 d", "surveyed", "must be above 0"),
        (
            "starts_at: 2027-03-01T06:00\nsurvey_ends: 2027-03-15",
            "surveyed",
            "is a date without a time of day (got '2027-03-15'); write '2027-03-15T06:00'",
        ),
        (
            "starts_at: 2027-03-01T06:00\nsurvey_ends: 2027-03-01T06:00",
            "surveyed",
            "is not after 'starts_at' (got '2027-03-01T06:00', starts_at 2027-03-01T06:00:00); "
            "write a later time such as '2027-03-15T06:00', or a duration such as '14 d'",
        ),
        (
            "starts_at: 2027-03-01T06:00\nsurvey_ends: 2027-03-01T06:00+01:00",
            "surveyed",
            "one has a time zone; give both with one, or none",
        ),
        (
            "starts_at: 2027-03-01T06:00\nsurvey_ends: 2027-02-30T06:00",
            "surveyed",
            "is no date and time (got '2027-02-30T06:00'); write it as 2027-03-01T06:00",
        ),
        (
            "survey_ends: 2027-03-15T06:00",
            "surveyed",
            "counts from 'starts_at', which is not given",
        ),
    ],
)
def test_times_of_the_site_that_are_refused(
    tmp_path: Path, top: str, said: str, problem: str
) -> None:
    path = tmp_path / "site.yaml"
    clock = f"{DAILY}, next_start: 3 h, clock: {said}, error: 5 min"
    text = SITE.replace("SAID", clock).replace("starts_at: 2027-03-01T06:00\n", "")
    path.write_text(f"{text}{top}\n", encoding="utf-8")
    (fault,) = [str(fault) for fault in check_site(path).faults]
    assert problem in fault
    assert f":{text.count(chr(10)) + 1 + top.count(chr(10))}:" in fault


def test_too_many_bursts_of_a_known_clock_are_merged(tmp_path: Path) -> None:
    """32 bursts a week are searched with each other, 48 are not: their spells count."""
    weekly = "cycle: [{on: 1 h, every: %s}, {on: 4 d, every: 7 d}], clock: calendar, error: 5 min"
    for every, merged in (("3 h", 0), ("2 h", 1)):
        said = f"{weekly % every}, next_start: 1 d"
        assert timing(tmp_path, said).start == 86400.0
        assert timing(tmp_path, said).merged == merged
        assert not any("counts as free" in str(each) for each in report(tmp_path, said).warnings)


def test_many_bursts_with_a_short_rest_around_them_count_as_free(tmp_path: Path) -> None:
    short = "cycle: [{on: 1 h, every: 2 h}, {on: 165 h, every: 168 h}], clock: calendar"
    said = f"{short}, error: 5 min, next_start: 1 d"
    assert timing(tmp_path, said).start is None
    assert any("is known, but counts as free" in str(w) for w in report(tmp_path, said).warnings)


@pytest.mark.parametrize(
    ("start", "end"),
    [
        ("2027-03-01T06:00", "14 d"),
        ("2027-03-01T06:00", "2027-03-15T06:00"),
        ("2027-03-01T06:00", "2027-03-15 06:00"),
        ("2027-03-01T06:00+01:00", "2027-03-15T05:00Z"),
    ],
)
def test_a_survey_ends_after_a_duration_or_at_a_time(tmp_path: Path, start: str, end: str) -> None:
    path = tmp_path / "site.yaml"
    clock = f"{DAILY}, next_start: 3 h, clock: surveyed, error: 5 min"
    text = SITE.replace("SAID", clock).replace("2027-03-01T06:00", start)
    path.write_text(f"{text}survey_ends: {end}\n", encoding="utf-8")
    site = check_site(path).site
    assert site is not None
    assert site.survey_ends == 14 * 86400.0
    again = tmp_path / "again.yaml"
    again.write_text(site_text(site), encoding="utf-8")
    read = check_site(again).site
    assert read is not None
    assert read.survey_ends == site.survey_ends
