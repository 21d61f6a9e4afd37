"""Plans of one mix as starts of others: what fits, what is better, and what becomes of it."""

from __future__ import annotations

from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import pytest

from allocator.plan import Plan
from allocator.plan_file import plan_to_json
from allocator.planning import Settings
from allocator.site.reading import read_site
from allocator.site.records import Mix, Site
from allocator.studies import comparison
from allocator.studies.comparison import Compared, compare, plan_mix
from allocator.studies.mixes import Variant, mixes_of
from allocator.studies.running import Workers
from allocator.studies.starts import best_start, better, fits, merits

NETWORKS = Path(__file__).parents[2] / "networks"
QUICK = Settings(node_limit=200)


OIL = (
    ("fluids:\n", "fluids:\n  oil: {phase: liquid, heating_value: 42.8 MJ/kg}\n"),
    ("bio_co2: {phase: gas, emission: biogenic}\n", "bio_co2: {phase: gas, emission: biogenic}\n"
     "  co2: {phase: gas, emission: counted}\n"),
    ("sources:\n", "sources:\n  pit: {place: mill, fluid: oil, flow: 2 g/s, price: 1 /kg}\n"),
    ("machines:\n", "machines:\n  oil_set:\n    takes: {oil: 1 g/s}\n"
     "    gives: {power: 5 kW, co2: 3.17 g/s}\n    price: 4000\n    places: {mill: 2}\n"),
)  # fmt: skip
"""What makes the first site one with emitting supply behind clean supply."""


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    text = (NETWORKS / "first.yaml").read_text(encoding="utf-8")
    for old, new in OIL:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    path = tmp_path_factory.mktemp("starts") / "site.yaml"
    path.write_text(text, encoding="utf-8")
    return read_site(path)


@pytest.fixture(scope="module")
def rows(site: Site) -> dict[str, Compared]:
    return {row.name: row for row in compare(site, QUICK)}


@pytest.fixture(scope="module")
def mixes(site: Site) -> dict[str, Variant]:
    return {mix.name: mix for mix in mixes_of(site)}


def plan_of(rows: dict[str, Compared], name: str) -> Plan:
    plan = rows[name].plan
    assert plan is not None
    return plan


def test_what_fits(site: Site, rows: dict[str, Compared], mixes: dict[str, Variant]) -> None:
    clean, first = plan_of(rows, "clean only"), plan_of(rows, "clean first")
    assert fits(site, mixes["clean first"], clean)
    assert fits(site, mixes["clean only"], first)  # what is clean of it needs no oil
    assert not fits(site, mixes["oil_set only"], clean)  # it runs on engines that are dropped
    cap = Mix("cap", emission=0.5 * first.emissions.counted)
    capped = mixes_of(replace(site, mixes={"cap": cap}))[-1]
    assert not fits(site, capped, first)
    assert fits(site, capped, clean)
    poor = mixes_of(replace(site, mixes={"poor": Mix("poor", money=0.5 * clean.money)}))[-1]
    assert not fits(site, poor, clean)


def test_what_is_better(site: Site, rows: dict[str, Compared], mixes: dict[str, Variant]) -> None:
    clean, first = plan_of(rows, "clean only"), plan_of(rows, "clean first")
    mix = mixes["clean only"]
    assert merits(mix, first)[:2] == (first.power.firm_clean, first.power.firm_clean)
    assert merits(mixes["clean first"], first)[1] == first.power.firm_total
    assert better((2.0, 0.0), (1.0, 9.0))
    assert better((2.0, 1.0), (2.0 * (1 + 1e-6), 0.5))  # the first differ by nothing
    assert not better((2.0,), (2.0, 1.0))
    less = replace(clean, power=replace(clean.power, firm_clean=1.0, firm_total=1.0))
    assert best_start(site, mixes["clean first"], [less, first, clean]) is first
    assert best_start(site, mixes["oil_set only"], [clean]) is None


def test_a_starved_mix_is_planned_again_from_what_another_found(
    site: Site, rows: dict[str, Compared], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A search that found nothing for clean supply alone, as when it ran out of time."""
    starts: dict[str, list[Plan | None]] = {}

    def starved(given: Site, mix: Variant, settings: Settings, days: float) -> dict[str, Any]:
        starts.setdefault(mix.name, []).append(settings.start)
        if mix.name == "clean only" and settings.start is None:
            return {"plan": None, "reason": "no plan was found in the time", "proven": False}
        row = rows[mix.name]
        if mix.name != "clean only" and row.plan is not None and row.figures is not None:
            known = {"plan": plan_to_json(row.plan), "figures": asdict(row.figures)}
            return {**known, "hours_short": None}
        return plan_mix(given, mix, settings, days)

    monkeypatch.setattr(comparison, "plan_mix", starved)
    told: list[str] = []
    found = {row.name: row for row in compare(site, QUICK, tell=told.append)}
    assert [len(of) for of in starts.values()] == [2, 1, 1, 1, 1]
    again = starts["clean only"][1]
    assert again is not None
    assert again.power.firm_clean > 0
    figures = found["clean only"].figures
    assert figures is not None
    assert figures.verified
    assert figures.firm_clean >= again.power.firm_clean * (1 - 1e-3)
    assert figures.counted == 0.0
    assert any("again" in words for words in told)
    assert starts["least money"][0] is not None  # from a plan of the waves before


def test_time_is_shared_and_never_nothing(
    site: Site, monkeypatch: pytest.MonkeyPatch, rows: dict[str, Compared]
) -> None:
    given: dict[str, float] = {}
    plan = plan_to_json(plan_of(rows, "clean only"))
    seconds = [0.0]

    def quick(_: Site, mix: Variant, settings: Settings, days: float) -> dict[str, Any]:
        given[mix.name] = settings.time_limit
        seconds[0] += 30.0 if mix.name == "clean first" else 1.0
        reason = "no plan exists" if mix.name != "clean only" else ""
        return {"plan": None, "reason": reason or plan[:0], "proven": True}

    monkeypatch.setattr(comparison, "plan_mix", quick)
    monkeypatch.setattr("allocator.planning.clock.Clock.seconds", lambda self: seconds[0])
    compare(site, Settings(time_limit=50.0), Workers())
    # 40 s for five mixes; what the first ones leave goes on, what one takes too much is gone
    assert list(given.values()) == pytest.approx([8.0, 39 / 4, 38 / 3, 8 / 2, 7.0])
    seconds[0] = 100.0
    compare(site, Settings(time_limit=50.0), Workers())
    assert set(given.values()) == {1.0}
