"""Why a want cannot be had: pipes as one limit, the plan that comes nearest, the words for it."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from allocator.base.clock import Clock
from allocator.model.limits import Limit, Want
from allocator.network.deriving import network_of
from allocator.network.reading import read_site
from allocator.search import Settings, make_plan
from allocator.search.conflicts import Conflict, Nearest
from allocator.search.elastic import Change, ElasticRelaxation, elastic_relaxation_of
from allocator.site.records import Site
from allocator.studies.most_power import MostPower
from allocator.studies.why_result import conflict_for, why, why_result

FIRST = Path(__file__).parents[2] / "networks" / "first.yaml"
EXACT = Settings(node_limit=100_000)


@pytest.fixture(scope="module")
def narrow() -> Site:
    """The first site with builds that carry 4 and 3.9 g/s, and steel for anything."""
    site = read_site(FIRST)
    build = replace(site.pipes["dn25"], capacity=0.004)
    light = tuple(replace(layer, mass=0.8 * layer.mass) for layer in build.layers)
    other = replace(build, name="other", capacity=0.0039, layers=light)
    lane = replace(site.routes["lane"], pipes=("dn25", "other"))
    steel = replace(site.materials["steel"], stock=1e5)
    return replace(
        site,
        pipes={"dn25": build, "other": other},
        routes={"lane": lane},
        materials={"steel": steel},
    )


def test_pipes_are_one_limit_and_all_carry_the_same_share_more(narrow: Site) -> None:
    """13 kW takes 1.95 g/s, 7.8 g/s in a quarter of the time: 0.95 times 4 g/s more."""
    want = Want("firm_clean", "", 13_000.0, "wanted")
    found = conflict_for(narrow, EXACT, [want])
    assert (found.status, found.minimal) == ("conflict", True)
    (pipes,) = [change for change in found.changes if change.limit.kind == "capacity"]
    assert pipes.limit.shared
    assert pipes.amount == pytest.approx(0.95, rel=2e-3)
    text = " ".join(why_result(narrow, found, [want], FIRST).summary().split())
    assert "pipes of the builds 'dn25', 'other' carry no more than the file states" in text
    assert "sufficient: +95 % for each of them" in text


WANT = Want("firm_clean", "", 19e3, "clean power wanted at all times is at least")


def starved(monkeypatch: pytest.MonkeyPatch) -> None:
    """Questions to the program are not settled in the time: plans are all that there is."""

    def possible(*_: object, linear: bool = False) -> None:
        return None

    def least(_: ElasticRelaxation, one: Limit, __: float | None = None) -> Change:
        return Change(one, None, False)

    monkeypatch.setattr(ElasticRelaxation, "possible", possible)
    monkeypatch.setattr(ElasticRelaxation, "least_change", least)


def text_of(site: Site, found: Conflict) -> str:
    return " ".join(why_result(site, found, [WANT], FIRST).summary().split())


def test_what_is_said_of_a_conflict_that_is_not_proven_minimal(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """First site: 13.4 kW is all. A bound says so, though no question to the program is settled."""
    site = read_site(FIRST)
    starved(monkeypatch)
    found = conflict_for(site, EXACT, [WANT])
    assert (found.status, found.minimal) == ("conflict", False)
    assert found.reached == pytest.approx(13_374.5, rel=1e-4)
    assert found.bound == pytest.approx(13_374.5, rel=1e-3)
    (asked,) = [change for change in found.changes if change.limit.kind == "want"]
    assert asked.amount == pytest.approx(WANT.amount - 13_374.5, rel=1e-4)
    assert asked.proven
    assert asked.limit not in found.unsettled
    text = text_of(site, found)
    assert "Best plan found: 13.4 kW; proven limit 13.4 kW." in text
    assert "Those with a star are proven to be part of the conflict" in text
    assert "at least 19 kW (asked for) sufficient: 13.3 kW (-5.63 kW)" in text
    assert "? stock.steel is 1.06 t" in text
    assert text.count("ot determined in the time") == 1  # for all at once
    facts = json.loads(why_result(site, found, [WANT], FIRST).to_json())
    assert facts["reached_w"] == found.reached
    assert facts["bound_w"] == found.bound
    assert {f["needed_proven"] for f in facts["limits"] if f["kind"] == "want"} == {True}
    assert {f["needed_proven"] for f in facts["limits"] if f["kind"] == "stock"} == {False}


def test_the_limits_are_a_table() -> None:
    """What is wanted may be text; without a file a limit is named by its keys."""
    result = why(read_site(FIRST), ["firm_clean=19 kW"], settings=EXACT)
    rows = {row["kind"]: row for row in result.limits.records()}
    assert rows["stock"]["where"] == "materials.steel.stock"
    assert rows["stock"]["least_change"] == pytest.approx(109.36, rel=1e-4)
    assert str(rows["stock"]["sufficient"]).startswith("sufficient: 1.17 t (+110 kg)")
    assert rows["want"]["where"] == "asked for"
    assert (result.status, result.minimal) == ("conflict", True)


def test_a_plan_settles_that_there_is_no_conflict(monkeypatch: pytest.MonkeyPatch) -> None:
    starved(monkeypatch)
    site = read_site(FIRST)
    assert conflict_for(site, EXACT, [replace(WANT, amount=13e3)]).status == "possible"


def test_a_plan_without_a_limit_shows_that_it_is_in_every_conflict(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """19 kW by 109.36 kg more of steel, by hand in ``tests/planning``; no bound is known here."""
    site = read_site(FIRST)
    starved(monkeypatch)
    ways = MostPower.__call__
    monkeypatch.setattr(MostPower, "__call__", lambda *given: _unbounded(ways(*given)))
    found = conflict_for(site, EXACT, [WANT])
    assert found.status == "unknown"
    (stock,) = [change for change in found.changes if change.limit.kind == "stock"]
    assert stock.amount is not None
    assert stock.amount >= 109.36 * (1 - 1e-4)
    assert stock.limit in found.limits
    text = text_of(site, found)
    assert "whether what is wanted is possible was not determined in the time" in text
    assert "each of these is part of every conflict" in text
    assert "stock.steel is 1.06 t" in text
    assert "whether less is sufficient is not known" in text
    assert "whether a change of one of these alone is sufficient" in text
    assert "without the limit that stock.steel is 1.06 t: 20 kW." in text
    (without,) = json.loads(why_result(site, found, [WANT], FIRST).to_json())["without"]
    assert (without["kind"], without["name"]) == ("stock", "steel")
    assert without["reached_w"] == pytest.approx(20e3, rel=1e-4)
    assert "To try: more time (--time-limit); a change that is named above." in text


def _unbounded(found: Nearest | None) -> Nearest | None:
    return None if found is None else replace(found, bound=None)


def test_a_bound_without_a_limit_leaves_that_limit_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """Half of the source is 10 kW on the mean: 12 kW there are not, whatever steel there is."""
    whole = read_site(FIRST)
    source = replace(whole.sources["digester"], flow=0.5 * whole.sources["digester"].flow)
    steel = replace(whole.materials["steel"], stock=400.0)
    site = replace(whole, sources={"digester": source}, materials={"steel": steel})
    starved(monkeypatch)
    ways = MostPower.__call__

    def without_bound_as_it_is(
        self: MostPower, seconds: float | None, dropped: Limit | None = None
    ) -> Nearest | None:
        found = ways(self, seconds, dropped)
        return found if dropped is not None else _unbounded(found)

    monkeypatch.setattr(MostPower, "__call__", without_bound_as_it_is)
    found = conflict_for(site, EXACT, [replace(WANT, amount=12e3)])
    assert found.status == "conflict"
    assert "stock" not in {limit.kind for limit in found.limits}
    assert "flow" in {limit.kind for limit in found.limits}


def test_what_is_known_beside_a_plan_is_sound() -> None:
    """A stretching that begins from a plan comes to the same least changes as one that does not."""
    site = read_site(FIRST)
    plain = elastic_relaxation_of(network_of(site), EXACT, Clock(None), (WANT,), together=True)
    begun = elastic_relaxation_of(network_of(site), EXACT, Clock(None), (WANT,), together=True)
    plan = make_plan(site, EXACT).plan
    assert plan is not None
    begun.begin_from(plan)
    for one in plain.limits:
        known, other = plain.least_change(one), begun.least_change(one)
        assert known.proven
        assert other.proven
        assert (known.amount is None) == (other.amount is None)
        if known.amount is not None:
            assert other.amount == pytest.approx(known.amount, rel=2e-3)
        held = [limit for limit in plain.limits if limit != one]
        assert plain.possible(held) == begun.possible(held)


def test_flows_are_told_not_to_change_heat_sinks() -> None:
    """A sink's guarantee is for the flow of the file; without one there is nothing to tell."""
    cases = Path(__file__).parents[1] / "cases"
    for path, told in ((cases / "heat_sink_cools.yaml", True), (FIRST, False)):
        site = network_of(read_site(path))
        limits = elastic_relaxation_of(site, EXACT, Clock(None)).limits
        flows = [limit.stated for limit in limits if limit.kind == "flow"]
        assert flows
        assert [("heat sinks stay" in words) for words in flows] == [told] * len(flows)
        assert all(len(words.split()) <= 20 for words in flows)
