"""Properties of a fluid at a temperature and pressure: the user's constants, then CoolProp.

A gas whose density is given has it at the reference state, and follows the ideal gas from there;
the other constants hold everywhere. What is not given comes from the property library, within
its range of validity only.

Of gas that brings vapour along, a kg is a kg without its vapour. Vapour adds mass and volume, so a
flow of m kg/s loses pressure like ``(1 + w) m`` of wet gas of density ``rho (1 + w) (1 - x)``:

    f ((1 + w) m)^2 / (rho (1 + w) (1 - x)) = f m^2 / (rho (1 - x) / (1 + w))

The last bracket is the density that is given; velocities by it are ``1 + w`` times the real ones.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np

from allocator.physics.arrays import FloatLike, Floats, floats
from allocator.physics.faults import PhysicsError, UnknownPropertyError

GAS_CONSTANT = 8.31446261815324
"""J/(mol K), exact by the SI of 2019."""

PROPERTIES: Mapping[str, tuple[str, str, str]] = {
    "density": ("D", "density", "kg/m^3"),
    "specific_heat": ("C", "specific heat", "J/(kg*K)"),
    "viscosity": ("V", "viscosity", "Pa*s"),
    "conductivity": ("L", "conductivity", "W/(m*K)"),
    "sound_speed": ("A", "speed of sound", "m/s"),
}
"""Property -> letter in CoolProp, noun, unit."""

_PART = re.compile(r"([^\[\]&]+)\[([0-9.eE+-]+)\]")
_LIQUID_PHASES = (0.0, 3.0)
"""CoolProp's numbers of the phases liquid and supercritical liquid."""


@dataclass(frozen=True, slots=True)
class Substance:
    """``name``: the user's; ``library``: CoolProp's, or None; ``constants`` in SI by name.

    ``reference``: temperature (K) and pressure (Pa) at which a gas has the density given.
    ``vapour``: kg of water that come along with each kg, w, and its share of all moles, x.
    """

    name: str
    phase: str = "gas"
    library: str | None = None
    constants: Mapping[str, float] = field(default_factory=dict)
    reference: tuple[float, float] = (288.15, 101325.0)
    vapour: tuple[float, float] = (0.0, 0.0)

    def __hash__(self) -> int:
        return hash((self.name, self.phase, self.library, self.reference, self.vapour))

    @property
    def heaviest(self) -> float:
        """Greatest weight of a volume, by that of the density given: wet, or dry once more."""
        w, x = self.vapour
        return max((1.0 + w) ** 2, (1.0 + w) / (1.0 - x))


def library_name(text: str) -> str:
    """A substance's name as CoolProp reads it: ``Hydrogen``, ``Methane[0.6]&CarbonDioxide[0.4]``.

    Fractions are mole fractions and add up to 1. Raises :class:`PhysicsError`.
    """
    parts_of(text)
    try:
        _library("D", text, 300.0, 1000.0)
    except PhysicsError as error:
        if "does not know" in error.problem:
            raise
    return text


def parts_of(text: str) -> set[str]:
    """Names of what a substance is made of, fractions checked. Raises :class:`PhysicsError`."""
    if "[" not in text and "&" not in text:
        return {text}
    parts = [_PART.fullmatch(part.strip()) for part in text.split("&")]
    if not all(parts):
        raise PhysicsError(
            f"cannot read the mixture '{text}'", "write 'Methane[0.6]&CarbonDioxide[0.4]'"
        )
    try:
        total = math.fsum(float(part[2]) for part in parts if part)
    except ValueError:
        total = math.nan
    if not math.isclose(total, 1.0, abs_tol=1e-6):
        raise PhysicsError(f"has mole fractions that add up to {total:g}", "make them add to 1")
    return {part[1] for part in parts if part}


def value(substance: Substance, name: str, temperature: FloatLike, pressure: FloatLike) -> Floats:
    """One of :data:`PROPERTIES` at temperatures (K) and pressures (Pa), which broadcast.

    Of wet gas (see above) for each kg without its vapour; viscosity, conductivity and the ratio of
    specific heats as dry.

    Raises:
        PhysicsError: nothing is known of it, or the state is outside the range of validity.
    """
    found = _dry(substance, name, temperature, pressure)
    w, x = substance.vapour
    if w > 0.0 and name == "density":
        return floats(found * ((1.0 - x) / (1.0 + w)))
    if w > 0.0 and name == "sound_speed":
        return floats(found * math.sqrt((1.0 + w) / (1.0 - x)))
    if w > 0.0 and name == "specific_heat":
        return floats(found + w * vapour_heat(temperature))
    return found


def vapour_heat(temperature: FloatLike) -> Floats:
    """Specific heat of vapour, J/(kg K), at most: a line just above that of the ideal gas.

    By the polynomial of Moran & Shapiro, *Fundamentals of Engineering Thermodynamics*, table A-21
    (from memory), no more than 2 % above it from 0 to 700 degC.
    """
    return floats(1695.0 + 0.604 * floats(temperature))


def _dry(substance: Substance, name: str, temperature: FloatLike, pressure: FloatLike) -> Floats:
    kelvin, pascal = np.broadcast_arrays(floats(temperature), floats(pressure))
    if not (np.all(kelvin > 0) and np.all(pascal > 0)):
        raise PhysicsError("has a temperature or pressure that is not above 0", "check it")
    constants = substance.constants
    if name == "density" and substance.phase == "gas":
        if "density" in constants:
            warm, pressed = substance.reference
            return floats(constants["density"] * (pascal / pressed) * (warm / kelvin))
        if "molar_mass" in constants and substance.library is None:
            return floats(pascal * constants["molar_mass"] / (GAS_CONSTANT * kelvin))
    if name == "sound_speed" and substance.library is None:
        return _sound_speed(substance, kelvin, pascal)
    if name in constants:
        return np.full(kelvin.shape, constants[name])
    if substance.library is None:
        raise UnknownPropertyError(
            f"has no known {PROPERTIES[name][1]}",
            f"add 'substance', or 'constants: {{{name}: ... {PROPERTIES[name][2]}}}'",
        )
    return _looked_up(substance, name, kelvin, pascal)


def _sound_speed(substance: Substance, kelvin: Floats, pascal: Floats) -> Floats:
    """``sqrt(gamma p / rho)`` of an ideal gas; no limit for a liquid without data."""
    if substance.phase != "gas":
        return np.full(kelvin.shape, np.inf)
    specific = pascal / _dry(substance, "density", kelvin, pascal) / kelvin  # R/M, J/(kg K)
    heat = _dry(substance, "specific_heat", kelvin, pascal)
    if np.any(heat <= specific):
        raise PhysicsError(
            "has a specific heat below that of an ideal gas of its density",
            "check 'specific_heat' and 'density' or 'molar_mass'",
        )
    return floats(np.sqrt(heat / (heat - specific) * specific * kelvin))


def _looked_up(substance: Substance, name: str, kelvin: Floats, pascal: Floats) -> Floats:
    assert substance.library is not None
    pairs = np.stack([kelvin.ravel(), pascal.ravel()], axis=1)
    unique, back = np.unique(pairs, axis=0, return_inverse=True)
    letter = PROPERTIES[name][0]
    found = [_state(substance, letter, float(t), float(p)) for t, p in unique]
    return floats(np.asarray(found)[back.ravel()].reshape(kelvin.shape))


def _state(substance: Substance, letter: str, kelvin: float, pascal: float) -> float:
    assert substance.library is not None
    number = _library(letter, substance.library, kelvin, pascal)
    if "&" not in substance.library:
        phase = _library("Phase", substance.library, kelvin, pascal)
        if substance.phase == "gas" and phase in _LIQUID_PHASES:
            raise PhysicsError(
                f"is liquid at {kelvin - 273.15:.4g} degC and {pascal:.4g} Pa",
                "check 'phase', or keep it warmer or at lower pressure",
            )
    return number


@lru_cache(maxsize=65536)
def _library(letter: str, library: str, kelvin: float, pascal: float) -> float:
    from CoolProp.CoolProp import PropsSI

    try:
        number = float(PropsSI(letter, "T", kelvin, "P", pascal, library))
    except ValueError as error:
        problem = str(error)
        known = re.search(r"Initialize failed|not found|key .* was not", problem)
        if known:
            raise PhysicsError(
                f"the property library does not know '{library}'",
                "check the spelling, or give 'constants'",
            ) from None
        if re.search(r"model is not available", problem):
            raise _not_modelled(letter, library) from None
        number = math.nan
    if not math.isfinite(number):
        noun = next((noun for other, noun, _ in PROPERTIES.values() if other == letter), "")
        raise PhysicsError(
            f"has no data{noun and f' of its {noun}'} at {kelvin - 273.15:.4g} degC and "
            f"{pascal:.4g} Pa: outside the range of the property library",
            "check temperature and pressure, or give 'constants'",
        )
    if pascal > 0 and letter != "Phase":
        _within(library, kelvin)
    return number


def _not_modelled(letter: str, library: str) -> UnknownPropertyError:
    """A property that the library has of no state of a substance; of mixtures it lacks several."""
    name, (_, noun, unit) = next(
        (name, known) for name, known in PROPERTIES.items() if known[0] == letter
    )
    what = "a mixture such as " if "&" in library else ""
    return UnknownPropertyError(
        f"has no known {noun}: the property library has none of {what}'{library}'",
        f"add 'constants: {{{name}: ... {unit}}}'",
    )


@lru_cache(maxsize=256)
def _range(library: str) -> tuple[float, float]:
    from CoolProp.CoolProp import PropsSI

    parts = [part.split("[")[0] for part in library.split("&")]
    lows, highs = [], []
    for part in parts:
        lows.append(float(PropsSI("Tmin", part)))
        highs.append(float(PropsSI("Tmax", part)))
    return max(lows), min(highs)


def _within(library: str, kelvin: float) -> None:
    low, high = _range(library)
    if not low <= kelvin <= high:
        raise PhysicsError(
            f"has no data at {kelvin - 273.15:.4g} degC: '{library}' is known from "
            f"{low - 273.15:.4g} to {high - 273.15:.4g} degC",
            "check the temperature, or give 'constants'",
        )


def saturation_temperature(library: str, pressure: float) -> float:
    """K at which a pure substance boils at a pressure (Pa). Raises :class:`PhysicsError`."""
    return _saturated("T", "P", pressure, library)


def saturation_pressure(library: str, temperature: float) -> float:
    """Pa at which a pure substance boils at a temperature (K). Raises :class:`PhysicsError`."""
    return _saturated("P", "T", temperature, library)


def latent_heat(library: str, pressure: float) -> float:
    """J/kg to boil a pure substance at a pressure (Pa). Raises :class:`PhysicsError`."""
    from CoolProp.CoolProp import PropsSI

    try:
        vapour, liquid = (float(PropsSI("H", "P", pressure, "Q", q, library)) for q in (1, 0))
    except ValueError:
        raise PhysicsError(f"does not boil at {pressure:.4g} Pa", "check the pressure") from None
    return vapour - liquid


def _saturated(wanted: str, given: str, at: float, library: str) -> float:
    from CoolProp.CoolProp import PropsSI

    try:
        return float(PropsSI(wanted, given, at, "Q", 1, library))
    except ValueError:
        unit = "Pa" if given == "P" else "K"
        raise PhysicsError(f"does not boil at {at:.4g} {unit}", "check the state") from None


def molar_mass(substance: Substance) -> float | None:
    """kg/mol, or None where it is not known."""
    if "molar_mass" in substance.constants:
        return substance.constants["molar_mass"]
    if substance.library is None:
        return None
    from CoolProp.CoolProp import PropsSI

    try:
        return float(PropsSI("M", substance.library))
    except ValueError:
        return None
