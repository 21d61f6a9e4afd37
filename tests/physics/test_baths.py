"""Thermal mass beside a source, against an integrator and against balances."""

from __future__ import annotations

import math

import pytest
from scipy.integrate import solve_ivp

from allocator.physics.baths import Bath, follow, least_mass, mass_curve, settled
from allocator.physics.faults import PhysicsError

BURSTS = [(600.0, 40_000.0), (5400.0, 0.0)]


def test_against_an_integrator() -> None:
    bath = Bath(capacity=2e5, loss=40.0, around=283.15)
    found = follow(bath, BURSTS * 3, 300.0)
    now = 300.0
    for duration, heat in BURSTS * 3:
        run = solve_ivp(
            lambda _, t, q=heat: (q - 40.0 * (t - 283.15)) / 2e5,
            (0, duration),
            [now],
            rtol=1e-10,
            atol=1e-10,
        )
        now = run.y[0, -1]
    assert found.end == pytest.approx(now, abs=1e-6)


@pytest.mark.parametrize("recovery", [0.0, 3000.0])
@pytest.mark.parametrize("loss", [0.0, 40.0])
@pytest.mark.parametrize("boils", [None, 373.15])
def test_energy_is_kept(recovery: float, loss: float, boils: float | None) -> None:
    bath = Bath(2e5, loss, 283.15, boils, recovery=recovery, threshold=350.0)
    swing = follow(bath, BURSTS * 5, 290.0)
    came = 5 * 600.0 * 40_000.0
    kept = 2e5 * (swing.end - 290.0)
    assert kept + swing.lost + swing.recovered + swing.steam * bath.latent == pytest.approx(
        came, rel=1e-9
    )
    assert boils is None or swing.high <= boils


def test_boiling_holds_the_temperature() -> None:
    """All heat beyond the losses becomes steam: Q t / h by hand."""
    bath = Bath(1e5, 0.0, 283.15, boils=373.15, latent=2.25e6)
    swing = follow(bath, [(1000.0, 20_000.0)], 373.15)
    assert swing.high == 373.15
    assert swing.steam == pytest.approx(1000 * 20_000 / 2.25e6)


def test_settled_repeats() -> None:
    bath = Bath(2e6, 40.0, 283.15, recovery=1000.0, threshold=340.0)
    swing = settled(bath, BURSTS)
    again = follow(bath, BURSTS, swing.end)
    assert again.end == pytest.approx(swing.end, abs=1e-6)
    mean = 40_000 * 600 / 6000
    assert swing.lost + swing.recovered == pytest.approx(mean * 6000, rel=1e-6)


def test_mean_of_the_swing_is_the_balance() -> None:
    """Without recovery the mean temperature is Ta + mean heat / loss, whatever the mass."""
    for capacity in (1e4, 1e6):
        swing = settled(Bath(capacity, 40.0, 283.15), BURSTS)
        assert swing.lost / 40.0 / 6000 == pytest.approx(40_000 * 600 / 6000 / 40.0, rel=1e-6)


def test_least_mass_holds_the_limit() -> None:
    bath = Bath(1.0, 40.0, 283.15)
    found = least_mass(bath, 4180.0, BURSTS, limit=420.0, most=5000.0)
    assert found is not None
    assert settled(Bath(found * 4180.0, 40.0, 283.15), BURSTS).high == pytest.approx(420.0)
    # the mean is 383.15 K, and no mass brings the peak below it
    assert least_mass(bath, 4180.0, BURSTS, limit=380.0, most=5000.0) is None


def test_more_mass_swings_less_and_drives_later() -> None:
    bath = Bath(1.0, 40.0, 283.15, threshold=350.0)
    curve = mass_curve(bath, 4180.0, BURSTS, [100.0, 300.0, 1000.0])
    peaks = [swing.high for _, swing, _ in curve]
    first = [wait for _, _, wait in curve]
    assert peaks == sorted(peaks, reverse=True)
    assert None not in first
    assert first == sorted(first, key=lambda wait: wait or math.inf)


def test_refusals() -> None:
    with pytest.raises(PhysicsError, match="never settles"):
        settled(Bath(1e5, 0.0, 283.15), BURSTS)
    with pytest.raises(PhysicsError, match="capacity above 0"):
        follow(Bath(0.0, 1.0, 283.15), BURSTS, 283.15)
    with pytest.raises(PhysicsError, match="boiling point"):
        follow(Bath(1e5, 1.0, 283.15, boils=373.15), BURSTS, 380.0)
