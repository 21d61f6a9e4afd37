"""``fit`` and ``reservoir`` on records that packages carry, against exact arithmetic.

Old Faithful: ``plotnine/data/faithful.csv`` of plotnine 0.15, 272 eruptions of the geyser with the
waits between them, min (Haerdle, Smoothing Techniques, 1991; Azzalini & Bowman, Applied Statistics
39, 1990, 357: waits are from start to start). Nile: ``statsmodels/datasets/nile/nile.csv`` of
statsmodels 0.15, the flow at Aswan in each year from 1871 to 1970, 10^8 m3 (Cobb, Biometrika 65,
1978, 243).
"""

from __future__ import annotations

import csv
from datetime import date, timedelta
from fractions import Fraction
from importlib.metadata import distribution
from pathlib import Path

import pytest

from allocator.cli.entry import main
from allocator.intake.fitting import fit_cycle
from allocator.intake.forward import forward_test
from allocator.intake.logs import read_log
from allocator.intake.record_store import (
    draw_for_record,
    kept_share,
    store_for_demand,
    store_for_record,
    with_end,
)

Said = pytest.CaptureFixture[str]
Steps = list[tuple[Fraction, Fraction]]
"""Length and inflow of each step of a record."""


def rows_of(package: str, file: str) -> list[list[str]]:
    """The rows of a CSV file of a package, which is not imported."""
    with open(str(distribution(package).locate_file(file)), encoding="utf-8") as opened:
        return list(csv.reader(opened))[1:]


def eruptions() -> list[list[str]]:
    return rows_of("plotnine", "plotnine/data/faithful.csv")


def nile() -> list[list[str]]:
    return rows_of("statsmodels", "statsmodels/datasets/nile/nile.csv")


def geyser_log(folder: Path, flow: str = "") -> Path:
    file = folder / "geyser.csv"
    head = "duration [min],wait [min]" + (",flow [kg/min]" if flow else "")
    rows = [",".join([*row, *([flow] if flow else [])]) for row in eruptions()]
    file.write_text("\n".join([head, *rows]) + "\n")
    return file


def nile_log(folder: Path) -> Path:
    """Flows as 10^8 t a day of a day for each year; the last one lasts as long as the others."""
    file = folder / "nile.csv"
    rows = [f"{number},{volume}" for number, (_, volume) in enumerate(nile())]
    file.write_text("\n".join(["time [d],flow [t/d]", *rows]) + "\n")
    return file


def sequent_peak_of(steps: Steps, draw: Fraction) -> Fraction:
    """The greatest deficit over two rounds, exactly."""
    deficit = greatest = Fraction(0)
    for length, inflow in steps * 2:
        deficit = max(Fraction(0), deficit + length * draw - inflow)
        greatest = max(greatest, deficit)
    return greatest


def marched(steps: Steps, draw: Fraction, store: Fraction) -> bool:
    """Whether a store, full at first, never runs dry in three rounds of the record."""
    level = store
    for length, inflow in steps * 3:
        # while inflow is constant within a step, the least level is at one of its ends
        level = min(store, level + inflow - length * draw)
        if level < 0:
            return False
    return True


def geyser_steps() -> Steps:
    """Eruptions at 2 kg/min, each followed by its wait; min and kg."""
    steps: Steps = []
    for lasted, waited in eruptions():
        on, every = Fraction(lasted), Fraction(waited)
        steps += [(on, 2 * on), (every - on, Fraction(0))]
    return steps


def nile_steps() -> Steps:
    return [(Fraction(1), Fraction(volume)) for _, volume in nile()]


def test_the_records_are_those_of_the_sources() -> None:
    assert len(eruptions()) == 272
    assert [eruptions()[0], eruptions()[-1]] == [["3.600", "79"], ["4.467", "74"]]
    assert len(nile()) == 100
    assert [nile()[0], nile()[-1]] == [["1871", "1120"], ["1970", "740"]]


@pytest.mark.parametrize("share", ["1/2", "4/5", "19/20", "1"])
@pytest.mark.parametrize("name", ["geyser", "nile"])
def test_store_and_firm_draw_are_those_of_the_exact_sequent_peak(
    name: str, share: str, tmp_path: Path
) -> None:
    if name == "geyser":
        log, steps = read_log(geyser_log(tmp_path, "2"), "start"), geyser_steps()
        time, mass = 60.0, 1.0
    else:
        log, steps = with_end(read_log(nile_log(tmp_path))), nile_steps()
        time, mass = 86400.0, 1000.0
    mean = sum(inflow for _, inflow in steps) / sum(length for length, _ in steps)
    draw = Fraction(share) * mean
    store = sequent_peak_of(steps, draw)
    assert marched(steps, draw, store)
    assert not marched(steps, draw, store * Fraction(999999, 1000000))
    si = float(draw) * mass / time * (1 - 1e-15)
    assert store_for_record(log, si) == pytest.approx(float(store) * mass, rel=1e-9)
    assert kept_share(log, si, float(store) * mass * (1 + 1e-12)) == pytest.approx(1.0, abs=1e-12)
    assert draw_for_record(log, float(store) * mass) == pytest.approx(si, rel=1e-9)


def test_reservoir_prints_them(tmp_path: Path, capsys: Said) -> None:
    """The Nile at 95 % of its mean, as the exact method has it; to three figures."""
    steps, file = nile_steps(), str(nile_log(tmp_path))
    mean = sum(inflow for _, inflow in steps) / 100
    store = sequent_peak_of(steps, Fraction(19, 20) * mean)
    assert main(["reservoir", file, "--store", f"{float(store)!r} t"]) == 0
    row = capsys.readouterr().out.splitlines()[2].split()
    assert float(row[1]) == 95
    assert float(row[0]) == pytest.approx(float(mean) * 0.95 / 86.4, rel=5e-3)  # kg/s
    assert float(row[2]) == pytest.approx(float(store), rel=5e-3)  # t
    for wrong, said in (
        (["--draw", "1 kg/s", "--store", "1 t"], "not allowed with"),
        (["--store", "0 t"], "must be above 0"),
        (["--draw", "3"], "'3' has no unit; write it such as '3 g/s'"),
    ):
        with pytest.raises(SystemExit, match="2"):
            main(["reservoir", file, *wrong])
        assert said in capsys.readouterr().err


@pytest.mark.parametrize("begins", [0, 4])
def test_a_demand_over_time_has_the_store_of_the_exact_method(
    begins: int, tmp_path: Path, capsys: Said
) -> None:
    """A demand of eleven days that repeats; with dates, the record begins on its fifth day."""
    wanted = [900, 1300, 700, 0, 400, 1500, 600, 800, 1000, 50, 1100]
    log, demand = tmp_path / "inflow.csv", tmp_path / "demand.csv"
    days = [date(1871, 1, 1) + timedelta(number) for number in range(100)]
    inflow = [int(volume) for _, volume in nile()]
    rows = zip(days, inflow, strict=True)
    log.write_text("\n".join(["time,flow [t/d]", *(f"{d},{v}" for d, v in rows)]) + "\n")
    first = days[0] - timedelta(begins)
    rows = ((first + timedelta(n), v) for n, v in enumerate(wanted))
    demand.write_text("\n".join(["time,flow [t/d]", *(f"{d},{v}" for d, v in rows)]) + "\n")
    deficit = peak = 0
    drawn = [wanted[(number + begins) % 11] for number in range(100)]
    for volume, draw in [*zip(inflow, drawn, strict=True)] * 2:
        deficit = max(0, deficit + draw - volume)
        peak = max(peak, deficit)
    found = store_for_demand(with_end(read_log(log)), with_end(read_log(demand)))
    assert found.store == pytest.approx(1000.0 * peak)
    assert found.draw == pytest.approx(sum(drawn) * 10 / 86400)
    assert main(["reservoir", str(log), "--demand", str(demand)]) == 0
    row = capsys.readouterr().out.splitlines()[2].split()
    assert float(row[2]) == pytest.approx(peak, rel=5e-3)  # t
    double = demand.read_text().replace("00\n", "000\n")
    demand.write_text(double)
    more = with_end(read_log(demand))
    assert store_for_demand(with_end(read_log(log)), more).store is None


def test_reservoir_tells_of_gaps(tmp_path: Path, capsys: Said) -> None:
    """Ten years of the Nile, then none for 300 days of the log, then the rest."""
    file = nile_log(tmp_path)
    lines = file.read_text().splitlines()
    late = [f"{int(line.split(',')[0]) + 300},{line.split(',')[1]}" for line in lines[11:]]
    file.write_text("\n".join([*lines[:11], *late]) + "\n")
    assert main(["reservoir", str(file)]) == 0
    assert "1 gap: left out, as if there were no such time" in capsys.readouterr().err


def test_the_geyser_is_on_and_off_for_times_that_vary(tmp_path: Path) -> None:
    """Its waits are short and long by turns, yet departures from even times add up: no jitter."""
    fit = fit_cycle(read_log(geyser_log(tmp_path), "start"))
    lasted, waited = ([60 * float(row[n]) for row in eruptions()] for n in (0, 1))
    (stage,) = fit.stages
    assert (fit.periodic, stage.jitter, stage.drift) == (True, 0.0, 0.0)
    assert stage.every_range == pytest.approx((min(waited), max(waited)))
    assert stage.on_range == pytest.approx((min(lasted), max(lasted)))
    assert stage.every.value == pytest.approx(sum(waited) / 272)
    assert stage.on.value == pytest.approx(sum(lasted) / 272, rel=1e-3)
    assert fit.duty == pytest.approx(sum(lasted) / sum(waited), abs=0.01)


def test_the_reading_of_waits_is_told(tmp_path: Path, capsys: Said) -> None:
    file = str(geyser_log(tmp_path))
    assert main(["fit", file]) == 0
    said = capsys.readouterr()
    assert "each wait is read from the end of one to the start of the next" in said.err
    assert "every: {varies: true" in said.out
    assert main(["fit", file, "--wait", "start"]) == 0
    assert "each wait is read" not in capsys.readouterr().err


def test_the_rest_of_the_geyser_keeps_what_its_first_part_promises(tmp_path: Path) -> None:
    """The last four tenths stay within the ranges of the first six but for single eruptions."""
    found = forward_test(read_log(geyser_log(tmp_path, "2"), "start"))
    assert found is not None
    assert found.kept == 1.0


def test_the_last_row_lasts_as_long_as_the_step_before_it(tmp_path: Path, capsys: Said) -> None:
    """A day of 24 hourly rows repeats every 24 h, in the record and in the demand.

    The inflow is 3 g/s on one day and none on the next two, for 59 days.
    """
    inflow = [3 if hour // 24 % 3 == 0 else 0 for hour in range(59 * 24)]
    wanted = [Fraction(1, 2) if hour < 12 else Fraction(3, 2) for hour in range(24)]
    log, demand = tmp_path / "inflow.csv", tmp_path / "demand.csv"
    head = "time [h],flow [g/s]"
    log.write_text("\n".join([head, *(f"{h},{v}" for h, v in enumerate(inflow))]) + "\n")
    rows = (f"{h},{float(v)}" for h, v in enumerate(wanted))
    demand.write_text("\n".join([head, *rows]) + "\n")
    deficit = peak = Fraction(0)
    for hour, came in [*enumerate(inflow)] * 2:
        deficit = max(Fraction(0), deficit + (wanted[hour % 24] - came) * 3600)
        peak = max(peak, deficit)
    assert main(["reservoir", str(log), "--demand", str(demand)]) == 0
    out = capsys.readouterr().out
    assert "the demand repeats every 24 h" in out
    draw, _, store = map(float, out.splitlines()[2].split())
    assert draw == pytest.approx(float(sum(wanted)) / 24, rel=2e-3)  # g/s
    assert store == pytest.approx(float(peak) / 1000, rel=5e-3)  # kg
    assert main(["reservoir", str(demand)]) == 0
    out = capsys.readouterr().out
    assert "Mean inflow 1 g/s." in out
    assert "The record lasts 24 h with its last row" in out


@pytest.mark.parametrize("last", ["on", "off"])
def test_a_last_row_of_turns_lasts_as_long_as_such_rows_do(last: str, tmp_path: Path) -> None:
    """On for 10 or 11 min of 6 h, a row at each turn, and as a list of events without waits."""
    log, listed = tmp_path / "log.csv", tmp_path / "events.csv"
    rows = [f"{360 * n},5\n{360 * n + 10 + n % 2},0" for n in range(20)]
    text = "\n".join(["time [min],flow [g/s]", *rows])
    log.write_text((text.rsplit("\n", 1)[0] if last == "on" else text) + "\n")
    whole = with_end(read_log(log))
    assert whole.held
    assert whole.times[-1] == (20 * 360 + 1 if last == "off" else 19 * 360 + 10) * 60
    rows = [f"{360 * n},10,5" for n in range(20)]
    listed.write_text("\n".join(["start [min],duration [min],flow [g/s]", *rows]) + "\n")
    assert with_end(read_log(listed)).times[-1] == 20 * 360 * 60


def test_a_last_step_that_is_a_gap_tells_no_length(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    rows = [f"{10 * n},{1 + n % 7}" for n in range(100)]
    log.write_text("\n".join(["time [s],flow [g/s]", *rows, "9000,3"]) + "\n")
    assert with_end(read_log(log)).times[-1] == 9010.0


def test_a_demand_of_two_rows_is_enough(tmp_path: Path, capsys: Said) -> None:
    """1 g/s always, and 0.5 g/s by day, 1.5 g/s by night: 43,200 s lack 0.5 g/s."""
    log, demand = tmp_path / "inflow.csv", tmp_path / "demand.csv"
    log.write_text("time [d],flow [g/s]\n0,1\n1,1\n2,1\n")
    demand.write_text("time [h],flow [g/s]\n0,0.5\n12,1.5\n")
    assert main(["reservoir", str(log), "--demand", str(demand)]) == 0
    assert [*map(float, capsys.readouterr().out.splitlines()[2].split())] == [1.0, 100.0, 21.6]
    demand.write_text("time [h],flow [g/s]\n0,0.5\n0,1.5\n")
    assert main(["reservoir", str(log), "--demand", str(demand)]) == 2
    assert "has 1 row that can be used; give two at least" in capsys.readouterr().err
