"""The currency of a site stands beside every amount of money, behind a no-break space."""

from __future__ import annotations

from dataclasses import replace

from handmade_cove import COVE, COVE_PLAN

from allocator.base.rendering import text_of
from allocator.network.deriving import network_of
from allocator.report.brief import brief_summary as summary
from allocator.report.tables import bill
from allocator.report.words import money

EUROS = replace(COVE, currency="EUR")


def test_a_sum_and_its_currency_do_not_break() -> None:
    assert money(1234567.0, "EUR") == "1\u00a0234\u00a0567\u00a0EUR"
    assert money(1234567.0) == "1\u00a0234\u00a0567"


def test_the_bill_has_it_in_the_head() -> None:
    assert "cost, EUR" in text_of(bill(network_of(EUROS), COVE_PLAN))
    assert "cost, " not in text_of(bill(network_of(COVE), COVE_PLAN)).splitlines()[1]


def test_the_summary_shows_it() -> None:
    assert "\u00a0EUR" in summary(EUROS, COVE_PLAN)
    assert "EUR" not in summary(COVE, COVE_PLAN)
