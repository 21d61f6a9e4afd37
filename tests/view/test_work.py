"""What a worker process does with an order, in this process."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from view_server import ROOT

from allocator.engine import NoPlanError
from allocator.network.reading import read_site
from allocator.plans.file import read_plan
from allocator.search import Progress, Settings
from allocator.verify import audit
from allocator.view.controls import (
    Changes,
    SourceChange,
    changed_site,
    digest_of,
    site_files,
)
from allocator.view.orders import FaultNews, News, PageNews, PlanNews, PlanOrder, ProgressNews
from allocator.view.work import better, no_plan_lines, plan_again, progress_words, unchanged


def ordered(planned: Path, changes: Changes) -> PlanOrder:
    """An order to plan the first network with changes."""
    site, plan = read_site(ROOT / "networks" / "first.yaml"), read_plan(planned)
    settings = Settings(node_limit=50)
    return PlanOrder(changed_site(site, changes), site, plan, settings, 1.0)


def test_more_steel_than_the_plan_needs_leaves_it_valid_without_bounds(planned: Path) -> None:
    order = ordered(planned, Changes({"stock.steel": "1.2 t"}))
    found = unchanged(order)
    assert found is not None
    assert found.plan.goals[0].value == pytest.approx(13374, abs=1)
    assert found.plan.goals[0].bound is None
    assert audit(order.site, found.plan).accepted


@pytest.mark.parametrize(
    "changes",
    [
        Changes({"stock.steel": "1 t"}),
        Changes({"demands.mill_drive.power": "8 kW"}),
        Changes(units={"small_engine@mill": 1}),
        Changes(lose_machines=1),
    ],
)
def test_a_plan_that_a_change_breaks_is_not_kept(planned: Path, changes: Changes) -> None:
    order = ordered(planned, changes)
    asked = replace(order, settings=replace(order.settings, robustness=changes.robustness))
    assert unchanged(asked) is None


def test_the_news_of_an_order_end_in_a_year(planned: Path) -> None:
    """With a third engine and 1.5 t of steel, power is the mean of the source: 20 kW."""
    news: list[News] = []
    plan_again(ordered(planned, Changes({"stock.steel": "1.5 t"})), news.append)
    assert not [one for one in news if isinstance(one, FaultNews)]
    first, last = [one for one in news if isinstance(one, PlanNews)]
    assert isinstance(news[0], PlanNews)
    assert (first.last, last.last) == (False, True)
    assert better(last.plan, first.plan)
    assert not better(first.plan, last.plan)
    assert last.plan.power.firm_clean == pytest.approx(20000, rel=1e-6)
    assert isinstance(news[-1], PageNews)
    assert [one for one in news if isinstance(one, ProgressNews)]


def test_no_plan_says_which_command_helps() -> None:
    valley = read_site(ROOT / "networks" / "dry_valley.yaml")
    order = PlanOrder(valley, valley, None, Settings(node_limit=200), 1.0)
    with pytest.raises(NoPlanError) as caught:
        plan_again(order, lambda news: None)
    assert "'allocator why'" in no_plan_lines(caught.value)[-1]


def test_a_line_of_progress_in_words() -> None:
    line = Progress(1.0, "clean_power", 13374.0, 14000.0, 0.0447, "optimal")
    assert progress_words(line) == "clean power, plan 13.4 kW, bound 14 kW, gap 4.5 %, optimal"


def test_a_changed_site_is_read_back_from_its_files(tmp_path: Path) -> None:
    """A lost source, a low one, a clock and fewer units, each with its rules."""
    site = read_site(ROOT / "networks" / "harbour_capacities.yaml")
    lost, timed = (name for name, one in list(site.sources.items())[:2] if one.stages)
    clock = SourceChange(clock="surveyed", next_start="3 h", error="10 min")
    changes = Changes(
        {"stock.pipe_steel": "36 t", "storage.battery.size.max": "0.8 MWh"},
        {"gas_engine@gasworks": 3},
        {lost: SourceChange(flow="lost"), timed: clock},
    )
    changed = changed_site(site, changes)
    files = site_files(changed)
    for name, content in files.items():
        (tmp_path / name).write_bytes(content)
    back = read_site(tmp_path / "site.yaml")
    assert back.sha256 == digest_of(files) == changed.sha256
    assert replace(back, sha256="") == replace(changed, sha256="")
    assert lost not in back.sources
    assert back.sources[timed].error == 600.0
