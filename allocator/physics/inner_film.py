"""The film inside a pipe, surely no better than the real one, and what it does to an end.

For an end temperature the film must not let more heat through than the real one does, at the flow
that is told and at any lesser one, for a lesser flow that runs laminar may end hotter than a
greater one that is turbulent. :func:`least_nusselt` is therefore a low bound of the Nusselt number
whose ratio Re/Nu never falls within either of two ranges, and :func:`films_up_to` gives the end of
each.

*Laminar*, up to Re = 2300: 3.66, fully developed flow at a uniform wall temperature, the least of
all boundaries between that and a uniform flux (4.36), and less than in any entrance (F. P.
Incropera et al., Fundamentals of Heat and Mass Transfer, 7th ed., eq. 8.55; R. K. Shah, A. L.
London, Laminar Flow Forced Convection in Ducts, 1978). *Turbulent*, from 4000 on: 75 % of Dittus
and Boelter's ``0.023 Re^0.8 Pr^0.3`` of a fluid that cools, as its errors come to 25 % (Incropera,
eq. 8.60 and what is said of it there); that is below 90 % of Gnielinski's relation, whose errors
are below 10 % (eq. 8.62), over its whole range of Re and Pr. Pr counts as no more than 160, the end
of its range; below 0.6, the other end, in proportion to Pr less, and never as less than laminar.
*Between*, Nu runs straight from 3.66 to that at 4000 (V. Gnielinski, Int. J. Heat Mass Transfer 63,
2013), which counts as no more than ``3.66 * 4000/2300`` for this. Roughness, bends, entrances, free
convection and rays in the gas only add to it. A liquid that is thicker at a cold wall counts with
``(mu/mu_wall)^0.14`` (E. N. Sieder, G. E. Tate, Ind. Eng. Chem. 28, 1936), the wall as cold as the
surroundings; for a gas that cools the exponent is 0 (W. M. Kays, M. E. Crawford, Convective Heat
and Mass Transfer).

*Proof* that the end is a bound for all flows up to m. Let f(w), which rises, be the heat a metre
that a wall at w lets out, and G(m) the film's conductance a metre. Heat s m a metre, s per kg/s, is
let out at a fluid temperature T where ``F(s, m) = w(s m) + s m/G(m) = T``, w the inverse of f. F
rises with s. In m, w(s m) rises, and m/G(m), in proportion to Re/Nu, does not fall up to Re = 4000
(Re/3.66, then Re over a line through 0 or above it), nor from there on (Re^0.2, or Re/3.66). So
within either range the s that belongs to T falls with m, and is least of all flows up to m at m or
at the flow min(m, that of Re = 4000). Less conductance G means less s in the same way. The fluid
cools by ``dT/dz = -s(T)/cp``; with the least s at every T it stays the hottest (comparison of
solutions).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from allocator.physics.arrays import FloatLike, Floats, floats

LAMINAR_NUSSELT = 3.66
LAMINAR_END, TURBULENT_BEGIN = 2300.0, 4000.0
"""Reynolds numbers between which flow turns turbulent."""

SHARE = 0.75
"""Of Dittus and Boelter's relation."""

LEAST_PRANDTL, MOST_PRANDTL = 0.6, 160.0


class FilmFluid(NamedTuple):
    """What a film takes of a fluid, each a function of temperatures (n,), K.

    ``conductivity`` W/(m K); ``viscosity`` Pa s, None where it is not known: every flow then counts
    as laminar, so the greatest has the least film of all; ``wall``: share of the film that is left
    at the coldest wall.
    """

    conductivity: Callable[[Floats], Floats]
    viscosity: Callable[[Floats], Floats] | None
    wall: Callable[[Floats], Floats]


def least_nusselt(reynolds: FloatLike, prandtl: FloatLike) -> Floats:
    """Low bound of the Nusselt number of a fluid that cools in a pipe; see the module."""
    re, pr = np.broadcast_arrays(floats(reynolds), floats(prandtl))

    def turbulent(rate: FloatLike) -> Floats:
        thin = np.minimum(pr / LEAST_PRANDTL, 1.0)
        found = SHARE * 0.023 * floats(rate) ** 0.8 * np.minimum(pr, MOST_PRANDTL) ** 0.3 * thin
        return floats(np.maximum(found, LAMINAR_NUSSELT))

    top = np.minimum(turbulent(TURBULENT_BEGIN), LAMINAR_NUSSELT * TURBULENT_BEGIN / LAMINAR_END)
    share = np.clip((re - LAMINAR_END) / (TURBULENT_BEGIN - LAMINAR_END), 0.0, 1.0)
    early = LAMINAR_NUSSELT + (top - LAMINAR_NUSSELT) * share
    return floats(np.where(re <= TURBULENT_BEGIN, early, turbulent(re)))


def films_up_to(
    fluid: FilmFluid, bore: Floats, rate: Floats, kelvin: Floats, specific_heat: Floats
) -> tuple[tuple[Floats, Floats], ...]:
    """Flows (kg/s) with the film's W/(m2 K) of each, one of which lets the least heat out per kg/s

    of all flows up to ``rate``; see the module. All (n,).
    """
    conductivity = fluid.conductivity(kelvin)
    share = fluid.wall(kelvin) * conductivity / bore
    if fluid.viscosity is None:
        return ((rate, LAMINAR_NUSSELT * share),)
    viscosity = fluid.viscosity(kelvin)
    prandtl = specific_heat * viscosity / conductivity
    per_rate = 4.0 / (np.pi * bore * viscosity)
    early = floats(np.minimum(rate, TURBULENT_BEGIN / per_rate))
    early_number = np.minimum(rate * per_rate, TURBULENT_BEGIN)  # no rounding passes it
    return (
        (early, least_nusselt(early_number, prandtl) * share),
        (rate, least_nusselt(rate * per_rate, prandtl) * share),
    )
