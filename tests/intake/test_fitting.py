"""``allocator fit`` and ``allocator reservoir``: cycles that are known, found again from logs."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
from sequent_peaks import sequent_peak

from allocator.cli.entry import main
from allocator.cycles import Pattern, pattern_of
from allocator.intake.fitting import fit_cycle
from allocator.intake.forward import forward_test
from allocator.intake.logs import Floats, Log, read_log
from allocator.intake.record_store import (
    kept_share,
    mean_inflow,
    store_for_record,
)
from allocator.site.records import Stage

Said = pytest.CaptureFixture[str]
CASES = int(os.environ.get("ALLOCATOR_FITS", "500"))
"""Synthetic cycles; 500 of them take 9 s."""


def flows_at(pattern: Pattern, times: Floats) -> Floats:
    """10 g/s while the pattern is on."""
    place = times % pattern.period
    found = np.searchsorted(pattern.starts, place, side="right") - 1
    on = (found >= 0) & (place < pattern.ends[np.maximum(found, 0)])
    return np.where(on, 0.01, 0.0)


def synthetic(number: int) -> tuple[Log, tuple[Stage, ...]]:
    """A cycle of one or two stages: rows at uneven times, 2 % noise, 10 % of the time in gaps."""
    rng = np.random.default_rng(number)
    every = rng.uniform(200, 900)
    stages = [Stage(every * rng.uniform(0.2, 0.8), every)]
    if number % 3:
        # the last burst of a spell is cut short, but never so short that no row shows it
        spell = every * (rng.integers(10, 25) + rng.uniform(0.1, 0.9) * stages[0].on / every)
        stages.append(Stage(spell, spell / rng.uniform(0.3, 0.7)))
    pattern = pattern_of(stages)
    length = (12 if number % 3 else 60) * pattern.period
    times = np.sort(rng.uniform(0, length, int(100 * length / every)))
    for begin in rng.uniform(0, length, 8):
        times = times[(times < begin) | (times > begin + 0.0125 * length)]
    flows = flows_at(pattern, times + rng.uniform(0, pattern.period))
    flows = np.maximum(flows + rng.normal(0, 0.0002, len(times)), 0.0)
    step = float(np.median(np.diff(times)))
    return Log(times - times[0], flows, False, step, ()), tuple(stages)


@pytest.mark.slow
def test_synthetic_cycles_are_found_again() -> None:
    """The largest error of the 500 is 0.33 %."""
    inside = counted = 0
    for number in range(CASES):
        log, stages = synthetic(number)
        fit = fit_cycle(log, number)
        assert not fit.doubt, number
        assert len(fit.stages) == len(stages), number
        assert fit.duty == pytest.approx(pattern_of(stages).duty, abs=0.01), number
        for found, true in zip(fit.stages, stages, strict=True):
            for estimate, value in ((found.on, true.on), (found.every, true.every)):
                assert estimate.value == pytest.approx(value, rel=0.01), number
                inside += estimate.low <= value <= estimate.high
                counted += 1
    assert 0.90 <= inside / counted <= 0.98


@pytest.mark.parametrize(
    "number",
    [425, 486, 767],  # gaps that hide a burst, several bursts of a spell, a start or an end
)
def test_gaps_are_no_rests(number: int) -> None:
    log, stages = synthetic(number)
    fit = fit_cycle(log, number)
    assert not fit.doubt
    assert len(fit.stages) == len(stages)
    for found, true in zip(fit.stages, stages, strict=True):
        assert found.on.value == pytest.approx(true.on, rel=0.01)
        assert found.every.value == pytest.approx(true.every, rel=0.01)


def test_a_last_burst_of_one_reading_is_no_error() -> None:
    """Of each spell the last burst is cut to less than four rows, some of which are one reading."""
    log, stages = synthetic(1385)
    fit = fit_cycle(log)
    assert fit.repairs == ()
    assert fit.stages[1].on.value == pytest.approx(stages[1].on, rel=0.001)


@pytest.mark.parametrize("rows", [25, 40, 100])
def test_rows_in_step_with_the_cycle_tell_on_times_to_one_row(rows: int) -> None:
    """A period that is a multiple of the distance of rows: each turn is at the same place between
    two rows, so that more periods tell no more, and the interval says so."""
    period = 600.0
    for share in (0.232, 0.5, 0.777):
        stage = Stage(share * period, period)
        times = np.arange(60 * rows) * period / rows
        log = Log(times, flows_at(pattern_of([stage]), times + 47.1), False, period / rows, ())
        (found,) = fit_cycle(log).stages
        assert abs(found.on.value - stage.on) <= period / rows
        assert found.on.low <= stage.on <= found.on.high
        assert found.on.high - found.on.low <= 4 * period / rows
        assert found.every.value == pytest.approx(period)


def test_the_forward_test_keeps_its_promise() -> None:
    for number in (3, 5, 6, 7, 8):
        found = forward_test(synthetic(number)[0])
        assert found is not None
        assert found.kept == 1.0


def written(folder: Path, times: Floats, flows: Floats) -> str:
    file = folder / "log.csv"
    rows = (f"{t:.2f},{f:.4f}" for t, f in zip(times, flows, strict=True))
    file.write_text("time [s],flow [g/s]\n" + "\n".join(rows) + "\n")
    return str(file)


def test_fit_writes_a_block_for_the_site_file(tmp_path: Path, capsys: Said) -> None:
    times = np.arange(0, 40 * 600.0, 5)
    file = written(tmp_path, times, 1000 * flows_at(pattern_of([Stage(200, 600)]), times))
    assert main(["fit", file]) == 0
    out = capsys.readouterr().out
    assert "every: 600 s" in out
    assert "flow: 10 g/s" in out
    assert "the rest kept 100.00 %" in out
    assert main(["fit", file]) == 0
    assert capsys.readouterr().out == out


def test_too_short_and_not_periodic(tmp_path: Path, capsys: Said) -> None:
    times = np.arange(0, 1.5 * 86400, 60.0)
    pattern = pattern_of([Stage(600, 1800), Stage(30000, 86400)])
    assert main(["fit", written(tmp_path, times, 1000 * flows_at(pattern, times))]) == 0
    assert "Too short: " in capsys.readouterr().out
    rng = np.random.default_rng(1)
    edges = np.cumsum(rng.exponential(600, 400))
    times = np.arange(0, edges[-1], 10.0)
    flows = np.where(np.searchsorted(edges, times) % 2, 10.0, 0.0)
    assert main(["fit", written(tmp_path, times, flows)]) == 0
    out = capsys.readouterr().out
    assert "Not periodic" in out or "Too short" in out
    assert "firm flow, g/s" in out
    assert main(["fit", written(tmp_path, times, np.full(len(times), 3.0))]) == 0
    assert "Always on" in capsys.readouterr().out


def test_a_store_for_a_record_is_the_sequent_peak(tmp_path: Path, capsys: Said) -> None:
    rng = np.random.default_rng(2)
    flows = rng.gamma(0.5, 2.0, 500)
    log = Log(np.arange(501) * 3600.0, np.append(flows, 0.0), False, 3600.0, ())
    mean = mean_inflow(log)
    for share in (0.3, 0.7, 0.95, 1.0):
        store = store_for_record(log, share * mean)
        peak = sequent_peak((3600 * flows).tolist(), 3600 * share * mean)
        assert store == pytest.approx(peak)
        assert kept_share(log, share * mean, store) == pytest.approx(1.0)  # marched
    assert kept_share(log, mean, 0.5 * peak) < 1.0
    assert store_for_record(log, 1.01 * mean) is None
    file = written(tmp_path, log.times, log.flows)
    assert main(["reservoir", file, "--draw", "9 kg/s"]) == 0
    assert "No storage gives more than the mean." in capsys.readouterr().out
    assert main(["reservoir", file]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[1].split()[:2] == ["firm", "flow,"]
    assert [line.split()[1] for line in lines[2:7]] == ["25", "50", "75", "90", "100"]
    assert lines[7].startswith("  Mean inflow ")


GOOD = "\n".join(f"{10 * n},{n % 2}" for n in range(20))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("time [s];flow [g/s]\n" + GOOD.replace(",", ";"), "separated by semicolons"),
        ("time [s]\tflow [g/s]\n" + GOOD.replace(",", "\t"), "separated by tabs"),
        ("time [s],flow [g/s]\n" + GOOD + '\n500,"1\n', ":22:1: a quote is not closed"),
        ("time [s],flow [g/s]\n" + GOOD + "\n500,inf\n", ":22:2: is out of all proportion"),
        ("time [s],flow [g/s]\n" + GOOD + "\n1e308,1\n", ":22:1: is out of all proportion"),
        ("time [s],flow [g/s]\n1,2\n", "has 1 row;"),
        ("", "is no table"),
        ("a,b\n" + GOOD, "no columns of time and flow"),
        ("time [s],flow\n" + GOOD, "flow has no unit"),
        ("time,flow [g/s]\n" + GOOD, "time has no unit"),
        ("time [s],flow [g/s]\n" + GOOD + "\n5,1\n", ":22:1: the clock jumps back"),
        ("time [s],flow [g/s]\n" + GOOD + "\n500,-1\n", ":22:2: the flow is below 0 (-1)"),
        ("time [s],flow [g/s]\n" + GOOD + "\n500,low\n", ":22:2: expects a number, got 'low'"),
        ("time [s],flow [g/s]\n" + GOOD + '\n500,"1,5"\n', "decimal point"),
        ("time [s],flow [g/s]\n" + GOOD.replace(",1", ",0"), "no flow above 0"),
        (
            "time,on\n" + "\n".join(f"2026-03-01T12:{n:02}:00Z,{n % 2}" for n in range(20))
            + "\n2026-03-01T13:00:00,1\n",
            ":22:1: only some of the times have a time zone",
        ),
        ("time,on\n" + "\n".join(f"day {n},{n % 2}" for n in range(20)), ":2:1: is no date"),
    ],
)  # fmt: skip
def test_bad_logs(tmp_path: Path, text: str, said: str, capsys: Said) -> None:
    file = tmp_path / "log.csv"
    file.write_text(text)
    assert main(["fit", str(file)]) == 2
    told = capsys.readouterr().err
    assert said in told
    assert len(told.splitlines()) == 1
    assert main(["fit", str(tmp_path / "none.csv")]) == 2


def test_line_ends_of_one_letter(tmp_path: Path, capsys: Said) -> None:
    """A file of old, with a carriage return alone behind each row, reads like any other."""
    told = []
    for end in ("\n", "\r"):
        file = tmp_path / "log.csv"
        file.write_bytes(("time [s],flow [g/s]\n" + GOOD + "\n").replace("\n", end).encode())
        for command in ("fit", "reservoir"):
            assert main([command, str(file)]) == 0
        told.append(capsys.readouterr().out)
    assert told[0] == told[1]


def test_repairs_are_counted(tmp_path: Path) -> None:
    file = tmp_path / "log.csv"
    file.write_text("time [s],flow [g/s]\n" + GOOD + "\n200,\n200,-0.01\n200,1\n")
    assert read_log(file).repairs == (
        "1 row without a value left out",
        "1 row at the time of the row before left out",
        "1 reading just below 0 read as 0",
    )
    file.write_text(
        "time,on\n" + "\n".join(f"2026-03-01T12:{n:02}:00+0{n % 2}:00,{n % 2}" for n in range(1))
        + "\n" + "\n".join(f"2026-03-01T{12 + n}:00:00+01:00,{n % 2}" for n in range(2, 12))
    )  # fmt: skip
    assert read_log(file).repairs == ("times of 2 time zones brought to one",)
