"""Potential that a flow loses along a pipe: of a gas the square of its pressure, else the pressure.

A pipe that carries ``Q`` kg/s from i to j needs ``pi_i - pi_j >= phi(Q) + head`` with

* gas, isothermal: ``pi = p^2``, ``phi = (f l / D) a``, ``a = G^2 Rs T``, ``G = 4 Q / (pi D^2)``.
  As it gains speed it loses ``a ln(pi_i / pi_j)`` besides, ``2 ln(p_i / p_j)`` of handbooks (Crane
  TP 410, eq. 1-6): ``d(p^2) (1 - a / p^2)`` is ``-(f / D) a dx``. Cut into pieces it loses the
  same. What is needed at the start is convex in (Q, pi_j): that of a short piece is, ``pi_j + phi +
  phi a / (pi_j - a)``, as ``x^2 / y`` is, and it rises with pi_j, so that one piece after another
  is;
* liquid: ``pi = p``, ``phi = (f l / D) G^2 / (2 rho)`` (Darcy and Weisbach).

``f`` is the larger of ``64 / Re`` and Colebrook's factor: between laminar and turbulent flow either
may be there. With it ``phi`` is convex, so that each of its tangents is nowhere above it.
"""

from __future__ import annotations

import numpy as np

from allocator.physics.arrays import FloatLike, Floats, floats

GRAVITY = 9.80665
"""m/s2, standard."""

SURELY_LAMINAR = 300.0
"""Reynolds number below which ``64 / Re`` is above Colebrook's factor for any roughness."""

FASTEST = 0.5
"""Share of ``sqrt(Rs T)`` that gas may reach: beyond, its acceleration is told far too high."""

STEPS = 80
"""Halvings: they leave less than the last digit."""

_LN10 = float(np.log(10.0))


def loss(flow: FloatLike, factor: FloatLike, reynolds: FloatLike, roughness: FloatLike) -> Floats:
    """Potential lost to friction by flows, kg/s: ``factor f Q^2``; all arguments broadcast.

    Parameters
    ----------
    flow
        kg/s.
    factor
        Potential per (kg/s)^2, by :func:`gas_factor` or :func:`liquid_factor`.
    reynolds
        Reynolds number of 1 kg/s, by :func:`reynolds_of_unit`.
    roughness
        Relative to the bore.
    """
    return _loss_and_slope(flow, factor, reynolds, roughness)[0]


def loss_slope(
    flow: FloatLike, factor: FloatLike, reynolds: FloatLike, roughness: FloatLike
) -> Floats:
    """Derivative of :func:`loss` by the flow."""
    return _loss_and_slope(flow, factor, reynolds, roughness)[1]


def _loss_and_slope(
    flow: FloatLike, factor: FloatLike, reynolds: FloatLike, roughness: FloatLike
) -> tuple[Floats, Floats]:
    q, k, unit, rough = np.broadcast_arrays(*map(floats, (flow, factor, reynolds, roughness)))
    re = q * unit
    f, by_re = _colebrook(np.maximum(re, SURELY_LAMINAR), rough)
    turbulent = (re > SURELY_LAMINAR) & (f * re > 64.0)
    slow = 64.0 / unit * k  # factor 64 / (unit Q) Q^2 = slow Q
    value = np.where(turbulent, k * f * q**2, slow * q)
    slope = np.where(turbulent, k * (2.0 * f * q + q**2 * by_re * unit), slow)
    return floats(value), floats(slope)


def friction_factor(reynolds: FloatLike, relative_roughness: FloatLike) -> Floats:
    """Darcy friction factor: the larger of ``64 / Re`` and Colebrook's."""
    re, rough = np.broadcast_arrays(floats(reynolds), floats(relative_roughness))
    turbulent, _ = _colebrook(np.maximum(re, SURELY_LAMINAR), rough)
    return floats(np.maximum(64.0 / np.maximum(re, 1e-12), turbulent))


def _colebrook(re: Floats, rough: Floats) -> tuple[Floats, Floats]:
    """Darcy factor and its derivative by the Reynolds number (C. F. Colebrook, 1939)."""
    x = -1.8 * np.log10((rough / 3.7) ** 1.11 + 6.9 / re)  # Haaland's start
    for _ in range(5):
        inner = rough / 3.7 + 2.51 * x / re
        x = x - (x + 2.0 * np.log10(inner)) / (1.0 + 2.0 / _LN10 * 2.51 / re / inner)
    inner = rough / 3.7 + 2.51 * x / re
    by_x = 1.0 + 2.0 / _LN10 * 2.51 / re / inner
    by_re = -2.0 / _LN10 * 2.51 * x / re**2 / inner
    return floats(x**-2.0), floats(2.0 * x**-3.0 * by_re / by_x)


def area_of(bore: FloatLike) -> Floats:
    """m2 inside a bore, m."""
    return floats(np.pi / 4.0 * floats(bore) ** 2)


def reynolds_of_unit(bore: FloatLike, viscosity: FloatLike) -> Floats:
    """Reynolds number of 1 kg/s in a bore (m) at a viscosity (Pa s)."""
    return floats(floats(bore) / (area_of(bore) * floats(viscosity)))


def gas_factor(length: FloatLike, bore: FloatLike, gas_law: FloatLike) -> Floats:
    """Pa2 per (kg/s)2: ``(l / D) Rs T / A^2``; ``gas_law``: Rs T = p / rho, J/kg."""
    return floats(floats(length) / floats(bore) * floats(gas_law) / area_of(bore) ** 2)


def liquid_factor(length: FloatLike, bore: FloatLike, density: FloatLike) -> Floats:
    """Pa per (kg/s)2: ``(l / D) / (2 rho A^2)``."""
    return floats(floats(length) / floats(bore) / (2.0 * floats(density) * area_of(bore) ** 2))


def end_factor(bore: FloatLike, gas_law: FloatLike, speed: FloatLike) -> Floats:
    """Pa2 per (kg/s)2: gas is no faster than ``speed`` m/s at an end with ``p^2`` of this, Q^2."""
    return floats((floats(gas_law) / (area_of(bore) * floats(speed))) ** 2)


def greatest_flow(
    factor: FloatLike,
    reynolds: FloatLike,
    roughness: FloatLike,
    end: FloatLike,
    drop: FloatLike,
    top: FloatLike,
) -> Floats:
    """The greatest flow, kg/s, with ``phi <= drop`` and ``phi + end Q^2 <= top``; by halving.

    ``end``: of :func:`end_factor`. 0 where ``drop`` or ``top`` is not above 0.
    """
    k, unit, rough, after, most, above = np.broadcast_arrays(
        *map(floats, (factor, reynolds, roughness, end, drop, top))
    )
    # laminar loss is the least: no flow is greater
    high = np.maximum(most, 0.0) * unit / (64.0 * k)
    low = np.zeros_like(high)
    for _ in range(STEPS):
        middle = (low + high) / 2.0
        lost = loss(middle, k, unit, rough)
        passes = (lost <= most) & (lost + after * middle**2 <= above)
        low, high = np.where(passes, middle, low), np.where(passes, high, middle)
    return floats(low)


def energy_of_compression(
    ratio: FloatLike, gas_law: FloatLike, heat_capacity: FloatLike, efficiency: FloatLike
) -> Floats:
    """J/kg of a compressor: ``cp T (r^(Rs / cp) - 1) / eta``, isentropic over its efficiency.

    ``gas_law``: Rs T, J/kg, at its inlet; ``heat_capacity``: cp T, J/kg, there. Of an ideal gas;
    any handbook of thermodynamics.
    """
    power = floats(gas_law) / floats(heat_capacity)
    return floats(floats(heat_capacity) * (floats(ratio) ** power - 1.0) / floats(efficiency))
