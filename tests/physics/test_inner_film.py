"""The film inside a pipe: never better than what is known of it, and ends that are upper bounds."""

from __future__ import annotations

import ht
import numpy as np
import pytest
from physics.pipes_by_hand import mean_nusselt, pipe
from scipy.integrate import solve_ivp

from allocator.physics.arrays import Floats, floats
from allocator.physics.inner_film import FilmFluid, films_up_to, least_nusselt
from allocator.physics.insulation import Insulation, Outside, heat_loss
from allocator.physics.runs import along, hottest_end

AROUND = 288.15
PRANDTLS = (0.3, 0.5, 0.7, 1.0, 5.0, 160.0, 2000.0)


def gas(viscosity: float = 2.6e-5, conductivity: float = 0.045) -> FilmFluid:
    """A gas of constant properties."""
    return FilmFluid(
        lambda kelvin: np.full(kelvin.shape, conductivity),
        lambda kelvin: np.full(kelvin.shape, viscosity),
        np.ones_like,
    )


@pytest.mark.parametrize("prandtl", PRANDTLS)
def test_it_is_below_other_relations_with_their_errors(prandtl: float) -> None:
    """Laminar: constant wall temperature. From 3000 on 90 % of Gnielinski's, by another library."""
    for reynolds in np.geomspace(10, 2300, 30):
        assert least_nusselt(reynolds, prandtl) <= ht.conv_internal.laminar_T_const() + 1e-12
        assert least_nusselt(reynolds, prandtl) <= mean_nusselt(reynolds, prandtl, 1e-3)
    for reynolds in np.geomspace(4000, 5e6, 60):
        smooth = (0.79 * np.log(reynolds) - 1.64) ** -2
        known = ht.turbulent_Gnielinski(Re=reynolds, Pr=max(prandtl, 0.5), fd=smooth)
        if prandtl >= 0.5:
            assert least_nusselt(reynolds, prandtl) <= 0.9 * known
        assert least_nusselt(reynolds, prandtl) >= 3.66
    top = ht.turbulent_Gnielinski(
        Re=4000.0, Pr=max(prandtl, 0.5), fd=(0.79 * np.log(4e3) - 1.64) ** -2
    )
    for reynolds in np.linspace(2300, 4000, 30):  # Gnielinski 2013: straight in between
        share = (reynolds - 2300) / 1700
        assert least_nusselt(reynolds, prandtl) <= 3.66 * (1 - share) + 0.9 * top * share + 1e-9


@pytest.mark.parametrize("prandtl", [0.01, *PRANDTLS])
def test_flow_per_film_falls_in_neither_range(prandtl: float) -> None:
    for low, high in ((1.0, 4000.0), (4000.0001, 1e7)):
        flows = np.geomspace(low, high, 400)
        assert (np.diff(flows / least_nusselt(flows, prandtl)) >= -1e-9).all()


def real_end(
    one: Insulation, inlet: float, length: float, rate: float, fluid: FilmFluid, heat: float
) -> float:
    """The end of a flow with the least that is known of its film, by a Runge-Kutta."""
    outside, bore = Outside.of(1, AROUND), float(one.bore[0])

    def slope(_: float, kelvin: Floats) -> Floats:
        assert fluid.viscosity is not None
        viscosity, conducts = fluid.viscosity(kelvin), fluid.conductivity(kelvin)
        reynolds = 4 * rate / (np.pi * bore * viscosity)
        film = least_nusselt(reynolds, heat * viscosity / conducts) * conducts / bore
        return floats(-heat_loss(one, kelvin, outside, film).per_metre / (rate * heat))

    return float(solve_ivp(slope, (0, length), [inlet], rtol=1e-8, atol=1e-8).y[0, -1])


@pytest.mark.parametrize("rate", [0.003, 0.0048, 0.007, 0.0084, 0.02, 0.2])
@pytest.mark.parametrize("layers", [((45.0, 0.006),), ((45.0, 0.006), (0.05, 0.03))])
def test_no_lesser_flow_ends_hotter(rate: float, layers: tuple[tuple[float, float], ...]) -> None:
    one, fluid = pipe(0.1, *layers, emissivity=0.3), gas()
    told = hottest_end(
        one,
        np.array([573.15]),
        np.array([14.0]),
        np.array([rate]),
        lambda kelvin: np.full(kelvin.shape, 1250.0),
        Outside.of(1, AROUND),
        fluid,
    )[0]
    flows = rate * np.array([0.05, 0.3, 0.5, 0.7, 0.9, 0.97, 1.0])
    ends = [real_end(one, 573.15, 14.0, flow, fluid, 1250.0) for flow in flows]
    assert told >= max(ends) - 0.3  # the steps of a march
    assert told <= max(ends) + 15.0


def test_a_bare_pipe_of_hot_gas_by_hand() -> None:
    """20 g/s at 300 degC through 14 m of bare steel: 112 degC with the whole of Dittus and Boelter.

    Without the film 55 degC, which is what it must not be told as.
    """
    one = pipe(0.1023, (45.0, 0.00602), emissivity=0.3)
    outside = Outside.of(1, AROUND)
    nusselt = mean_nusselt(9574.0, 1250 * 2.6e-5 / 0.045, 0.1023 / 14)
    assert nusselt * 0.045 / 0.1023 == pytest.approx(14.05, rel=0.002)
    textbook = along(one, 573.15, 14.0, 0.02, 1250.0, outside, nusselt * 0.045 / 0.1023)
    bare = along(one, 573.15, 14.0, 0.02, 1250.0, outside)
    assert bare.end[0] - 273.15 == pytest.approx(55.3, abs=0.5)
    assert textbook.end[0] - 273.15 == pytest.approx(112.0, abs=2.0)
    told = hottest_end(
        one,
        np.array([573.15]),
        np.array([14.0]),
        np.array([0.02]),
        lambda kelvin: np.full(kelvin.shape, 1250.0),
        outside,
        gas(),
    )
    assert textbook.end[0] < told[0] < textbook.end[0] + 20.0


def test_a_flow_of_unknown_viscosity_counts_as_laminar() -> None:
    fluid = gas()._replace(viscosity=None)
    ((rate, film),) = films_up_to(fluid, *(np.array([x]) for x in (0.1, 0.5, 400.0, 1000.0)))
    assert rate[0] == 0.5
    assert film[0] == pytest.approx(3.66 * 0.045 / 0.1)


def test_a_liquid_that_is_thicker_at_the_wall_has_less_film() -> None:
    thin = FilmFluid(gas().conductivity, gas().viscosity, lambda kelvin: np.full(kelvin.shape, 0.6))
    args = [np.array([x]) for x in (0.1, 0.5, 400.0, 1000.0)]
    for (_, film), (_, whole) in zip(
        films_up_to(thin, *args), films_up_to(gas(), *args), strict=True
    ):
        assert film[0] == pytest.approx(0.6 * whole[0])
