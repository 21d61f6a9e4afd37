"""Laws of clocks: what is known of them less exactly never gives more."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from laws.test_changes import EXAMPLES, assert_no_less, assert_same, laws, planned, small_sites

from allocator.network.deriving import network_of
from allocator.site.clocks import timings_of
from allocator.site.records import Site, Source
from allocator.verify import audit


def inexact(site: Site, **said: float) -> Site:
    """The site with the same said of all its cycles: shares of a first or a last period."""
    return replace(site, sources={n: _inexact(s, **said) for n, s in site.sources.items()})


def _inexact(
    source: Source, drift: float = 0.0, jitter: float = 0.0, error: float | None = None
) -> Source:
    if not source.stages or source.delivered:
        return source
    found = replace(source, drift=drift, jitter=jitter * source.stages[0].every)
    if error is None:
        return found
    period = source.stages[-1].every
    start = 0.3 * period if source.next_start is None else source.next_start
    return replace(found, clock="surveyed", next_start=start, error=error * period)


few = settings(laws, max_examples=max(4, EXAMPLES // 2))
KNOWN = partial(inexact, error=0.1)
LESS = [
    (inexact, partial(inexact, drift=0.01)),
    (partial(inexact, drift=0.01), partial(inexact, drift=0.1)),
    (inexact, partial(inexact, jitter=0.02)),
    (partial(inexact, jitter=0.02), partial(inexact, jitter=0.2)),
    (partial(inexact, error=0.0), KNOWN),
    (KNOWN, partial(inexact, error=0.4)),
    (partial(inexact, error=0.4), inexact),
    (KNOWN, partial(inexact, error=0.1, jitter=0.05)),
]


@pytest.mark.slow
@few
@given(site=small_sites(), pair=st.sampled_from(LESS))
def test_less_exact_clocks_never_give_more(site: Site, pair: tuple[partial[Site], ...]) -> None:
    more, less = (change(site) for change in pair)
    one, other = planned(more, "firm"), planned(less, "firm")
    # of a known clock with too many bursts the inner ones count together, and somewhat less
    if not any(timing.merged for timing in timings_of(network_of(more)).values()):
        assert_no_less(one, other)
    if other is not None:
        assert audit(less, other).accepted
        if other.ceiling.total is not None:
            assert other.power.firm_total <= other.ceiling.total * (1 + 1e-6)


@pytest.mark.slow
@few
@given(site=small_sites())
def test_nothing_inexact_is_todays_answer(site: Site) -> None:
    """Of free clocks the phase is no matter; an error of half a period is any phase."""
    free, lost = planned(site, "firm"), planned(inexact(site, error=0.5), "firm")
    if free is not None and lost is not None:
        assert_same(free, lost)
