"""Logs with a row only on a change: each flow lasts until the next row, and no pause is a gap."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from allocator.cli.entry import main
from allocator.intake.change_rows import rows_at_changes
from allocator.intake.fitting import fit_cycle
from allocator.intake.forward import forward_test
from allocator.intake.logs import read_log
from allocator.intake.record_store import mean_inflow

Said = pytest.CaptureFixture[str]
Rows = list[tuple[float, float]]
PERIOD = 21_600.0
HELD = "The record has a row at each change: each flow lasts until the next row"


def changes(on: float, count: int = 60, begin: float = 0.0) -> Rows:
    """5 g/s for ``on`` s of every 6 h, a row at each turn."""
    return [
        row
        for number in range(count)
        for row in ((begin + number * PERIOD, 5.0), (begin + number * PERIOD + on, 0.0))
    ]


def minutes_when_on(on: float, count: int = 60) -> Rows:
    """The same with a row every minute while it is on, one as it turns off, and none while off."""
    return [
        (number * PERIOD + 60.0 * row, 5.0 * (60.0 * row < on))
        for number in range(count)
        for row in range(round(on / 60) + 1)
    ]


def hours_when_off(on: float, count: int = 60) -> Rows:
    """As above, and a row every hour while off: pauses have many rows, all far apart."""
    rows = minutes_when_on(on, count)
    more = [
        (number * PERIOD + on + 3600.0 * hour, 0.0)
        for number in range(count)
        for hour in range(1, int((PERIOD - on) // 3600.0))
    ]
    return sorted([*rows, *more])


def written(folder: Path, rows: Rows, marks: bool = False) -> str:
    file = folder / "log.csv"
    head = "time [s],on" if marks else "time [s],flow [g/s]"
    cells = (f"{t:g},{int(v > 0) if marks else v:g}" for t, v in rows)
    file.write_text("\n".join([head, *cells]) + "\n")
    return str(file)


@pytest.mark.parametrize("marks", [False, True])
@pytest.mark.parametrize(
    ("rows", "on"),
    [
        (changes(5400.0), 5400.0),
        (changes(600.0), 600.0),
        (changes(18_000.0), 18_000.0),
        ([(0.0, 0.0), *changes(5400.0, begin=1200.0)], 5400.0),
        (minutes_when_on(5400.0), 5400.0),
        (hours_when_off(5400.0), 5400.0),
    ],
)
def test_fit_holds_each_flow_until_the_next_row(
    rows: Rows, on: float, marks: bool, tmp_path: Path, capsys: Said
) -> None:
    file = written(tmp_path, rows, marks)
    fit = fit_cycle(read_log(Path(file)))
    (stage,) = fit.stages
    assert stage.on_range is None
    assert stage.on.value == pytest.approx(on, abs=1.0)
    assert stage.every.value == pytest.approx(PERIOD, abs=1.0)
    assert fit.duty == pytest.approx(on / PERIOD, rel=1e-3)
    test = forward_test(read_log(Path(file)))
    assert test is not None
    assert test.kept == 1.0
    assert main(["fit", file]) == 0
    assert HELD in capsys.readouterr().out


@pytest.mark.parametrize("rows", [changes(600.0), minutes_when_on(600.0), hours_when_off(600.0)])
def test_reservoir_counts_pauses_without_rows(rows: Rows, tmp_path: Path, capsys: Said) -> None:
    """10 min of 6 h at 5 g/s are 139 mg/s, and 5 g/s need more than any store gives."""
    file = written(tmp_path, rows)
    log = read_log(Path(file))
    assert not log.gaps.any()
    assert mean_inflow(log) == pytest.approx(0.005 * 600 / PERIOD, rel=0.02)
    assert main(["reservoir", file, "--draw", "5 g/s"]) == 0
    out = capsys.readouterr().out
    assert HELD in out
    assert "No storage gives more than the mean." in out


def sampled(seed: int) -> tuple[np.ndarray[tuple[int], np.dtype[np.float64]], Rows]:
    """A row every 10 s, now and then none for minutes, of a source of any cycle; and its rows."""
    rng = np.random.default_rng(seed)
    count = int(rng.integers(300, 1500))
    times = np.arange(count) * 10.0
    for begin in rng.integers(0, count, 6):
        times = times[(times < 10.0 * begin) | (times > 10.0 * begin + rng.uniform(250, 600))]
    period = 10.0 * rng.uniform(1.5, 60)
    on = (times + rng.uniform(0, period)) % period < rng.uniform(0.05, 0.95) * period
    return times, [(t, 5.0 * v) for t, v in zip(times.tolist(), on.tolist(), strict=True)]


def test_gaps_of_logs_with_rows_at_set_times_stay_gaps() -> None:
    for seed in range(300):
        times, rows = sampled(seed)
        on = np.array([flow > 0 for _, flow in rows])
        assert not (on.any() and rows_at_changes(times, on)), seed


def test_rows_may_be_read_either_way(tmp_path: Path, capsys: Said) -> None:
    file = written(tmp_path, changes(600.0))
    assert mean_inflow(read_log(Path(file), rows="samples")) == pytest.approx(0.005)
    assert main(["reservoir", file, "--rows", "samples"]) == 0
    said = capsys.readouterr()
    assert HELD not in said.out
    assert "if the logger writes a row only on a change, add --rows changes" in said.err
    # one pause in a record of minutes may be a gap; only the user knows
    once = written(tmp_path, [*minutes_when_on(600.0, 1), *[(t + PERIOD, 5.0) for t in range(9)]])
    assert read_log(Path(once)).gaps.sum() == 1
    assert main(["reservoir", once, "--rows", "changes"]) == 0
    assert HELD in capsys.readouterr().out
    listed = tmp_path / "events.csv"
    listed.write_text("start [min],duration [min]\n0,5\n60,5\n120,5\n")
    assert main(["fit", str(listed), "--rows", "changes"]) == 2
    assert "is a list of events" in capsys.readouterr().err


def test_a_time_on_without_rows_is_a_gap_where_rows_are_usual(tmp_path: Path) -> None:
    """On for a day by the last row before a hole: the logger was off, for it writes each minute."""
    rows = minutes_when_on(5400.0)
    cut = [(t, v) for t, v in rows if not 10 * PERIOD + 1800 < t < 12 * PERIOD]
    log = read_log(Path(written(tmp_path, cut)))
    assert log.held
    assert log.gaps.sum() == 1
    (stage,) = fit_cycle(log).stages
    assert stage.on.value == pytest.approx(5400.0, abs=1.0)
    assert stage.every.value == pytest.approx(PERIOD, abs=1.0)


def test_gaps_that_are_much_of_the_time_ask_whether_it_was_off(
    tmp_path: Path, capsys: Said
) -> None:
    """A logger that runs while the source does writes no row of 0, so nothing shows it off."""
    rows = [(t, v) for t, v in minutes_when_on(5400.0) if v]
    assert main(["reservoir", written(tmp_path, rows)]) == 0
    said = capsys.readouterr()
    assert "gaps are 75% of the time; if the source was off in them, add a row of 0" in said.err
    assert main(["reservoir", written(tmp_path, minutes_when_on(5400.0)), "--draw", "5 g/s"]) == 0
    said = capsys.readouterr()
    assert "gaps are" not in said.err
    assert "Mean inflow 1.25 g/s." in said.out
