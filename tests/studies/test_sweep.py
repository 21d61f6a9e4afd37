"""Sweeps: cases worked out by hand, on workers and on a cluster, killed and gone on with."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest
from pressed_sites import HUT

from allocator.base.rendering import csv_of
from allocator.engine import plan_site
from allocator.network.deriving import network_of
from allocator.network.facts import facts_of
from allocator.network.reading import read_site
from allocator.plans.records import Plan
from allocator.search import Settings
from allocator.search.as_built import as_built
from allocator.site.records import Material, Site
from allocator.studies.grids import grids_of
from allocator.studies.results import Results
from allocator.studies.running import Workers
from allocator.studies.sweep_cases import Asked, swept_cases
from allocator.studies.sweep_result import sweep, sweep_result

NETWORKS = Path(__file__).parents[2] / "networks"
SETTINGS = Settings(node_limit=300)


def ranged(folder: Path) -> Path:
    """The first site with a range for the flow of its source."""
    text = (NETWORKS / "first.yaml").read_text(encoding="utf-8")
    path = folder / "site.yaml"
    path.write_text(text.replace("flow: 12 g/s", "flow: {low: 4 g/s, high: 20 g/s}"), "utf-8")
    return path


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    return read_site(ranged(tmp_path_factory.mktemp("site")))


@pytest.fixture(scope="module")
def plan(site: Site) -> Plan:
    return plan_site(site, SETTINGS).plan


def test_a_plan_operated_on_its_own_site_gives_its_promise(site: Site, plan: Plan) -> None:
    (row,) = swept_cases(site, Asked(plan=plan), SETTINGS)
    assert row.kept
    assert row.verified
    assert row.firm_clean == pytest.approx(plan.power.firm_clean, rel=1e-5)


def test_what_a_plan_builds_does_not_grow(site: Site, plan: Plan) -> None:
    """With material without end nothing more is built: the promise stays what it was."""
    rich = replace(site, materials={n: Material(n) for n in site.materials})
    assert plan_site(rich, SETTINGS).plan.power.firm_clean > 1.2 * plan.power.firm_clean
    operated = plan_site(as_built(network_of(rich), plan), SETTINGS).plan
    assert operated.power.firm_clean == pytest.approx(plan.power.firm_clean, rel=1e-5)
    assert not any(use.new for use in operated.machines)


def test_a_flow_by_hand(site: Site, plan: Plan) -> None:
    """The plan's store bridges 18 h of 24 h. It takes 8.02 g/s while on: more changes nothing.

    With 4 g/s for 6 h of 24 h there is 1 g/s in the mean; a steady draw of that needs a store of
    1 g/s x 18 h = 64.8 kg, and 130 kg stand. Power follows the draw: 13.4 kW for 2.005 g/s.
    """
    grids = grids_of(facts_of(site), ["sources.digester.flow=4g/s,9g/s,40g/s"], existing=True)
    less, enough, plenty = swept_cases(site, Asked(grids=grids, plan=plan), SETTINGS)
    full = plan.power.firm_clean
    mean = plan.stores[0].draw["flat"]
    assert less.firm_clean == pytest.approx(full * 0.001 / mean, rel=1e-3)
    assert (less.kept, enough.kept, plenty.kept) == (False, True, True)
    assert enough.firm_clean == pytest.approx(full, rel=1e-5)
    assert plenty.firm_clean == pytest.approx(full, rel=1e-5)


def test_a_result_has_the_cases_as_tables(site: Site, plan: Plan) -> None:
    result = sweep(site, grids=["sources.digester.flow=4g/s,9g/s"], plan=plan, settings=SETTINGS)
    assert (result.mode, result.figure, len(result.cases)) == ("re-checked", "firm_clean", 2)
    assert result.promised == plan.power.firm_clean
    assert result.cases.column("promise_kept") == (False, True)
    assert result.cases.keys[2] == "sources.digester.flow [kg/s]"
    assert [row["point"] for row in result.points.records()] == [
        "sources.digester.flow 4 g/s",
        "sources.digester.flow 9 g/s",
    ]
    assert max(map(len, result.summary().splitlines())) <= 100
    assert "firm power" not in result.summary()  # all of it is clean: there is no more to tell


TWO_SUPPLIES = """
format: allocator.site/2
limits: {emission: 600 t/a}
fluids: {gas: {heating_value: 120 MJ/kg}, diesel: {phase: liquid, heating_value: 43 MJ/kg},
  fossil_co2: {emission: counted}}
places: {hall: {at: [0 m, 0 m]}}
sources: {cells: {place: hall, fluid: gas, flow: 1 g/s}, truck: {place: hall, fluid: diesel,
  flow: 20 g/s, price: 1.3 /kg}}
machines:
  engine: {inputs: {gas: 1 g/s}, outputs: {power: 45 kW}, places: {hall: 1}}
  diesel_set: {inputs: {diesel: 4 g/s}, outputs: {power: 65 kW, fossil_co2: 12 g/s},
    places: {hall: 2}}
demands: {plant: {power: 100 kW, place: hall}}
"""


def test_a_sweep_is_about_the_figure_that_changes(tmp_path: Path) -> None:
    """45 kW are clean in all cases; a cap of 100 t/a lets 17.2 kW more be served, 200 t/a 34.3."""
    path = tmp_path / "site.yaml"
    path.write_text(TWO_SUPPLIES, encoding="utf-8")
    result = sweep(path, grids=["limits.emission=100t/a,200t/a"], settings=SETTINGS)
    assert result.figure == "firm_total"
    capped = [cap * 1000 / 31_557_600 for cap in (100, 200)]
    powers = [45e3 + cap / 0.012 * 65e3 for cap in capped]
    assert result.points.column("planned") == pytest.approx(powers, rel=1e-5)
    assert result.points.column("firm_clean") == pytest.approx([45e3, 45e3])
    assert result.points.column("counted") == pytest.approx(capped, rel=1e-5)
    assert result.cases.column("counted") == pytest.approx(capped, rel=1e-5)
    assert result.points.column("point") == ("limits.emission 100 t/a", "limits.emission 200 t/a")
    told = " ".join(result.summary().split())
    assert "firm clean power 45 kW throughout, firm power 62.2 kW to 79.3 kW" in told
    assert "counted emission 100 t/a to 200 t/a." in told
    assert "Nothing that was varied" not in told


def test_valves_untouched(site: Site, plan: Plan) -> None:
    """With its valve as it is, the plan falls short exactly where the source gives less."""
    grids = grids_of(facts_of(site), ["sources.digester.flow=4g/s,9g/s"], existing=True)
    rows = swept_cases(site, Asked(grids=grids, plan=plan, simulated_days=20), SETTINGS)
    assert rows[0].hours_short is not None
    assert rows[0].hours_short > 1000
    assert rows[1].hours_short == 0


def test_a_failing_case_is_told_and_the_rest_go_on(site: Site) -> None:
    grids = grids_of(facts_of(site), ["sources.digester.cycle[1].on=30h,6h"], existing=False)
    bad, good = swept_cases(site, Asked(grids=grids), SETTINGS)
    assert bad.firm_clean is None
    assert bad.reason == "source 'digester': on for longer than its period"
    assert good.firm_clean is not None


def test_a_point_without_a_plan_gives_nothing(tmp_path: Path) -> None:
    site = read_site(NETWORKS / "dry_valley.yaml")
    grids = grids_of(facts_of(site), ["stock.steel=3.5t,9t"], existing=False)
    none, some = swept_cases(site, Asked(grids=grids), SETTINGS)
    assert (none.firm_total, none.status) == (0.0, "no plan exists")
    assert some.firm_total is not None
    assert some.firm_total > 0


@pytest.mark.slow
def test_pool_and_cluster_give_the_same_bytes(site: Site, plan: Plan) -> None:
    distributed = pytest.importorskip("distributed")
    asked = Asked(draws=5, plan=plan)
    here = csv_of(sweep(site, asked, settings=SETTINGS).cases)
    pool = csv_of(sweep(site, asked, settings=SETTINGS, workers=Workers(2)).cases)
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    ) as cluster:
        workers = Workers(cluster=cluster.scheduler_address)
        there = csv_of(sweep(site, asked, settings=SETTINGS, workers=workers).cases)
    assert here == pool == there
    assert here.count("\n") == 7


def _known(store: Path) -> dict[str, float]:
    """Seconds that each finished case took: another run of it would take other seconds."""
    if not store.exists():
        return {}
    file = sqlite3.connect(store)
    try:
        return dict(file.execute("SELECT key, seconds FROM cases").fetchall())
    except sqlite3.OperationalError:
        return {}
    finally:
        file.close()


@pytest.mark.slow
def test_killed_three_times_and_gone_on_with(site: Site, tmp_path: Path) -> None:
    """Nothing that finished is lost or worked out again; the end is that of a run unhindered."""
    path, folder = ranged(tmp_path), tmp_path / "out"
    arguments = ["sweep", str(path), "--draws", "40", "--workers", "1", "--node-limit", "100"]
    command = [sys.executable, "-m", "allocator", *arguments, "-o", str(folder)]
    finished: dict[str, float] = {}
    for more in (1, 7, 4):
        run = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        goal = len(finished) + more
        while len(_known(folder / "cases.sqlite")) < goal and run.poll() is None:
            time.sleep(0.01)
        run.send_signal(signal.SIGKILL)
        run.wait()
        known = _known(folder / "cases.sqlite")
        assert len(known) >= goal
        assert {key: known[key] for key in finished} == finished
        finished = known
        assert not (folder / "cases.csv").exists()
    assert len(finished) < 41
    settings = Settings(node_limit=100)
    swept_cases(site, Asked(draws=40), settings, folder=folder)  # the same in this process
    known = _known(folder / "cases.sqlite")
    assert len(known) == 41
    assert {key: known[key] for key in finished} == finished
    rows = swept_cases(site, Asked(draws=40), settings, folder=folder)
    few = sweep(site, draws=3, settings=settings)
    assert csv_of(sweep_result(site, rows[:4], None).cases) == csv_of(few.cases)


@pytest.mark.slow
@pytest.mark.parametrize("workers", ["1", "2"])
def test_stopped_by_hand(tmp_path: Path, workers: str) -> None:
    """Ctrl-C reaches all processes of a terminal: no half result is kept, and little is said.

    So many draws that they cannot end while a busy machine looks for the first two.
    """
    path, folder = ranged(tmp_path), tmp_path / "out"
    arguments = ["sweep", str(path), "--draws", "3000", "--workers", workers, "--node-limit", "100"]
    run = subprocess.Popen(
        [sys.executable, "-m", "allocator", *arguments, "-o", str(folder)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    while len(_known(folder / "cases.sqlite")) < 2 and run.poll() is None:
        time.sleep(0.01)
    os.killpg(run.pid, signal.SIGINT)
    _, told = run.communicate(timeout=60)
    assert run.returncode == 130
    assert told.splitlines()[-1] == (f"stopped by hand; the same command goes on from {folder}")
    assert "Traceback" not in told
    with contextlib.closing(sqlite3.connect(folder / "cases.sqlite")) as file:
        kept = [json.loads(v) for (v,) in file.execute("SELECT value FROM cases").fetchall()]
    assert 2 <= len(kept) < 3001
    assert {value["status"] for value in kept} == {"optimal"}


def test_more_draws_go_on_from_fewer(site: Site, tmp_path: Path) -> None:
    few = swept_cases(site, Asked(draws=2), SETTINGS, folder=tmp_path)
    told: list[str] = []
    more = swept_cases(site, Asked(draws=4), SETTINGS, folder=tmp_path, tell=told.append)
    assert told[0] == "3 of 5 cases are known already"
    assert more[:3] == few
    with Results(tmp_path / "other.sqlite", {}) as other:
        assert other.known() == {}


@pytest.mark.parametrize(
    ("grid", "powers"),
    [
        ("sources.vent.pressure=0.05 bar(g),1.5 bar", (0.0, 1.0)),
        ("boosters.compressor.ratio=1.5,14", (0.0, 1.0)),
        ("routes.r.length=600 m,60 km", (1.0, 0.0)),
        ("storage.vessel.max_pressure=20 bar,40 bar", (1.0, 0.0)),
    ],
)
def test_what_pressures_follow_from_is_swept(
    grid: str, powers: tuple[float, float], tmp_path: Path
) -> None:
    """Each case has pressures of its own: shares of what the site as it is promises."""
    path = tmp_path / "hut.yaml"
    path.write_text(HUT)
    site = read_site(path)
    whole = plan_site(site, SETTINGS).plan.power.firm_clean
    grids = grids_of(facts_of(site), [grid], existing=False)
    for given in (site, network_of(site)):
        rows = swept_cases(given, Asked(grids=grids), SETTINGS)
        assert [row.reason for row in rows] == ["", ""]
        for row, share in zip(rows, powers, strict=True):
            assert row.firm_clean == pytest.approx(share * whole, rel=1e-4, abs=1.0)
