"""The film inside a pipe as the audit reckons it: the least that a real flow may have.

As the site file's documentation states it: 3.66 in laminar flow, up to a Reynolds number of 2300;
from 4000 on 75 % of what Dittus and Boelter found; straight in between, to no more than in
proportion to the flow. Nothing here comes from planning.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from allocator.base.errors import AllocatorError
from allocator.physics.substances import value
from allocator.verify.case import Case
from allocator.verify.properties import specific_heat, substance_of

LAMINAR = 3.66
CALM, WILD = 2300.0, 4000.0
POINTS = 9
"""Temperatures at which a property must be known to count as known."""


@dataclass(frozen=True)
class Film:
    """``bore`` m of the pipe; ``rate`` kg/s at the most; ``viscous``: its viscosity is known."""

    case: Case
    fluid: str
    bore: float
    rate: float
    viscous: bool

    @staticmethod
    def of(case: Case, fluid: str, bore: float, rate: float, inlet: float) -> Film | None:
        """None where fluid warms on its way, or its conductivity is not known."""
        around = case.site.ambient.temperature
        if inlet <= around or not _known(case, fluid, "conductivity", around, inlet):
            return None
        return Film(case, fluid, bore, rate, _known(case, fluid, "viscosity", around, inlet))

    def flows(self, kelvin: float) -> tuple[tuple[float, float], ...]:
        """Flows (kg/s) up to the rate that may cool the least, with the film of each, K m/W."""
        conducts = _value(self.case, self.fluid, "conductivity", kelvin)
        if not self.viscous:
            return ((self.rate, 1.0 / (math.pi * conducts * LAMINAR)),)
        viscosity = _value(self.case, self.fluid, "viscosity", kelvin)
        prandtl = viscosity * specific_heat(self.case, self.fluid, kelvin) / conducts
        wall = 1.0
        if self.case.site.fluids[self.fluid].phase == "liquid":
            cold = _value(self.case, self.fluid, "viscosity", self.case.site.ambient.temperature)
            wall = min(1.0, (viscosity / cold) ** 0.14)
        each = math.pi * self.bore * viscosity / 4.0  # kg/s at a Reynolds number of 1
        rates = [self.rate] if self.rate <= WILD * each else [WILD * each, self.rate]
        return tuple(
            (rate, 1.0 / (math.pi * conducts * wall * self._number(rate, each, prandtl)))
            for rate in rates
        )

    @staticmethod
    def _number(rate: float, each: float, prandtl: float) -> float:
        reynolds = rate / each
        if reynolds <= CALM:
            return LAMINAR
        rough = (
            0.75
            * 0.023
            * float(max(reynolds, WILD) ** 0.8)
            * float(min(prandtl, 160.0) ** 0.3)
            * min(1.0, prandtl / 0.6)
        )
        rough = max(LAMINAR, rough)
        if reynolds > WILD * (1.0 + 1e-12):
            return rough
        top = min(rough, LAMINAR * WILD / CALM)
        return LAMINAR + (top - LAMINAR) * (reynolds - CALM) / (WILD - CALM)


def _value(case: Case, fluid: str, name: str, kelvin: float) -> float:
    return float(value(substance_of(case, fluid), name, kelvin, case.site.ambient.pressure))


def _known(case: Case, fluid: str, name: str, cold: float, hot: float) -> bool:
    try:
        for number in range(POINTS):
            _value(case, fluid, name, cold + (hot - cold) * number / (POINTS - 1))
    except AllocatorError:
        return False
    return True
