"""The currency of a site stands beside every amount of money, behind a no-break space."""

from __future__ import annotations

from dataclasses import replace

from handmade_cove import COVE, COVE_PLAN

from allocator.base.column_units import head_of, unit_of
from allocator.base.rendering import text_of
from allocator.network.deriving import network_of
from allocator.report.brief import brief_summary as summary
from allocator.report.handover.stock import stock_table
from allocator.report.tables import bill
from allocator.report.words import money
from allocator.site.records import Site

EUROS = replace(COVE, currency="EUR")


def test_a_sum_and_its_currency_do_not_break() -> None:
    assert money(1234567.0, "EUR") == "1\u00a0234\u00a0567\u00a0EUR"
    assert money(1234567.0) == "1\u00a0234\u00a0567"


def test_the_bill_has_it_in_the_head() -> None:
    assert "cost, EUR" in text_of(bill(network_of(EUROS), COVE_PLAN))
    assert "cost, " not in text_of(bill(network_of(COVE), COVE_PLAN)).splitlines()[1]


def heads(site: Site) -> list[str]:
    table = stock_table(network_of(site), COVE_PLAN)
    return [head_of(column, unit_of(column, [1.0])) for column in table.columns]


def test_the_stock_list_has_it_in_its_heads() -> None:
    assert heads(EUROS)[-2:] == ["price, EUR/kg", "cost, EUR"]
    assert heads(COVE)[-2:] == ["price, /kg", "cost"]


def test_the_summary_shows_it() -> None:
    assert "\u00a0EUR" in summary(EUROS, COVE_PLAN)
    assert "EUR" not in summary(COVE, COVE_PLAN)
