"""Quantities: text to SI against reference tables and pint, refusals, and text for people."""

from __future__ import annotations

import math
import subprocess
import sys
from typing import Any

import pint
import pytest
import scipy.constants
from hypothesis import example, given
from hypothesis import strategies as st

from allocator.base.dimensions import absolute_apart, format_absolute, format_gauge
from allocator.base.quantities import (
    DIMENSIONS,
    QuantityError,
    Units,
    format_quantity,
    parse_quantity,
)

REGISTRY: pint.UnitRegistry[Any] = pint.UnitRegistry(cache_folder=None)


@pytest.mark.parametrize(
    ("text", "dimension", "value"),
    [
        ("3.2 g/s", "mass_rate", 0.0032),
        ("3.2g/s", "mass_rate", 0.0032),
        ("2.4 t", "mass", 2400.0),
        ("12\u00a0400.5 kg", "mass", 12_400.5),
        ("63.2 d", "duration", 5_460_480.0),
        ("128.2 d", "duration", 11_076_480.0),
        ("0.25 d", "duration", 21_600.0),
        ("20 min", "duration", 1200.0),
        ("1 a", "duration", scipy.constants.Julian_year),
        ("1 atm", "pressure", scipy.constants.atm),
        ("1.1 bar", "pressure", 110_000.0),
        ("1 lb/h", "mass_rate", scipy.constants.lb / scipy.constants.hour),
        ("1 hp", "power", scipy.constants.hp),
        ("1 kWh", "energy", 3.6e6),
        ("350 kJ/kg", "energy_per_mass", 350_000.0),
        ("17.7 MJ/kg", "energy_per_mass", 17.7e6),
        ("300 kW/(kg/s)", "energy_per_mass", 300_000.0),
        ("35 %", "share", 0.35),
        ("5 ‰", "share", 0.005),
        ("0.1 %/d", "share_rate", 0.001 / 86_400),
        ("1.9 /kg", "money_per_mass", 1.9),
        ("1.9/kg", "money_per_mass", 1.9),
        ("1900 1/t", "money_per_mass", 1.9),
        ("40 /m", "money_per_length", 40.0),
        ("300 /kWh", "money_per_energy", 300 / 3.6e6),
        ("9 kg/kWh", "mass_per_energy", 2.5e-6),
        ("0.5 kg/kg", "mass_per_mass", 0.5),
        ("1.2 kg/m^3", "density", 1.2),
        ("1.2 kg/m**3", "density", 1.2),
        ("1.2 kg/m3", "density", 1.2),
        ("1.2 kg·m^-3", "density", 1.2),
        ("1005 J/(kg K)", "specific_heat", 1005.0),
        ("0.045 W/(m*K)", "conductivity", 0.045),
        ("40 degC", "temperature", 313.15),
        ("40 °C", "temperature", 313.15),
        ("-40 degF", "temperature", 233.15),
        ("300 K", "temperature", 300.0),
        ("12", "mass", 12.0),
        ("1e3 kg", "mass", 1000.0),
        (".5 kg", "mass", 0.5),
        ("−3 g/s", "mass_rate", -0.003),
        (7, "mass", 7.0),
        (0.25, "share", 0.25),
        (-0.0, "mass", 0.0),
    ],
)
def test_value_in_si(text: object, dimension: str, value: float) -> None:
    assert parse_quantity(text, dimension) == pytest.approx(value, rel=1e-12)


def test_values_are_the_nearest_floats() -> None:
    """Equal spans written in different units are equal, so that stages fit without tolerance."""
    assert parse_quantity("128.2 d", "duration") == 11_076_480.0
    assert parse_quantity("0.25 d", "duration") == parse_quantity("6 h", "duration")
    assert parse_quantity("3.2 g/s", "mass_rate") == 0.0032
    assert parse_quantity("1.1 bar", "pressure") == 110_000.0
    assert parse_quantity("300 t/a", "mass_rate") == 300_000 / 31_557_600


@given(
    st.floats(1e-1, 1e3),
    st.sampled_from(["kg", "g", "mg", "lb", "oz"]),
    st.sampled_from(["s", "min", "h", "d", "week", "a"]),
)
def test_agrees_with_pint(number: float, mass: str, time: str) -> None:
    expected = REGISTRY.Quantity(number, f"{mass}/{time}").to("kg/s").magnitude
    assert parse_quantity(f"{number!r} {mass}/{time}", "mass_rate") == pytest.approx(
        expected, rel=1e-12
    )


def test_own_units() -> None:
    units = Units({"shift": 28_800.0})
    assert parse_quantity("2 shift", "duration", units) == 57_600.0
    assert parse_quantity("100 kg/shift", "mass_rate", units) == pytest.approx(100 / 28_800)
    with pytest.raises(QuantityError, match="has the unknown unit 'shift'"):
        parse_quantity("2 shift", "duration")
    with pytest.raises(QuantityError, match="did you mean 'shift'"):
        parse_quantity("2 shfit", "duration", units)


@pytest.mark.parametrize(
    ("value", "dimension", "message"),
    [
        ("3 kg", "mass_rate", "expects a mass rate such as '3 g/s', got '3 kg'"),
        ("fast", "mass_rate", "expects a mass rate such as '3 g/s', got 'fast'"),
        ("", "mass", "expects a mass such as '2.4 t', got ''"),
        (True, "mass", "expects a mass such as '2.4 t', got True"),
        (None, "mass", "expects a mass such as '2.4 t', got None"),
        ([], "energy", "expects an energy such as '20 kWh', got []"),
        ("3 KW", "power", "has the unknown unit 'KW' in '3 KW'; did you mean 'kW'?"),
        ("3 kwhr", "energy", "has the unknown unit 'kwhr' in '3 kwhr'; did you mean 'kWh'?"),
        (
            "3 gr/s",
            "mass_rate",
            "has the ambiguous unit 'gr' in '3 gr/s'; write 'g' for grams, or 'grain'",
        ),
        (
            "40 C",
            "temperature",
            "expects a temperature such as '40 degC', got '40 C'",
        ),
        (
            "3 degC/min",
            "share_rate",
            "multiplies or divides by 'degC', whose zero is shifted, in '3 degC/min'; "
            "write kelvin, 'K'",
        ),
        (
            "2,5 kg",
            "mass",
            "has no readable number in '2,5 kg'; write digits without separators and with a "
            "decimal point, like '2.4 t'",
        ),
        (
            "2\u00a000 kg",
            "mass",
            "has no readable number in '2\\xa000 kg'; write digits without separators and with a "
            "decimal point, like '2.4 t'",
        ),
        (
            "2 000 kg",
            "mass",
            "has no readable number in '2 000 kg'; write digits without separators and with a "
            "decimal point, like '2.4 t'",
        ),
        ("nan", "mass", "must be a finite number, got 'nan'; write it like '2.4 t'"),
        ("-inf kg", "mass", "must be a finite number, got '-inf kg'; write it like '2.4 t'"),
        (math.nan, "mass", "must be a finite number, got nan; write it like '2.4 t'"),
        ("1e999 kg", "mass", "must be a finite number, got '1e999 kg'; write it like '2.4 t'"),
        *(
            (text, dimension, f"is out of all proportion, got '{text}'; give {edge}")
            for text, dimension, edge in (
                ("1e40 kg", "mass", "at most 1e+12 kg, like '2.4 t'"),
                ("1e-40 kg", "mass", "at least 1e-09 kg, like '2.4 t'"),
                ("1e20 kg", "mass", "at most 1e+12 kg, like '2.4 t'"),
                ("1e4 t/s", "mass_rate", "at most 100000 kg/s, like '3 g/s'"),
                ("1e12 W", "power", "at most 1e+11 W, like '70 kW'"),
                ("1e-9 W", "power", "at least 1e-05 W, like '70 kW'"),
            )
        ),
        (
            "3 kg^99",
            "mass",
            "has the unreadable unit 'kg^99' in '3 kg^99'; "
            "write units like 'g/s', 'MJ/kg' or 'W/(m*K)'",
        ),
        (
            "3 (kg",
            "mass",
            "has the unreadable unit '(kg' in '3 (kg'; "
            "write units like 'g/s', 'MJ/kg' or 'W/(m*K)'",
        ),
        ("5 %", "money", "expects a sum of money without a unit, got '5 %'; write it like '900'"),
        (
            "2 EUR/kg",
            "money_per_mass",
            "has the unknown unit 'EUR' in '2 EUR/kg'; money has no unit: write it like '1.9 /kg'",
        ),
        ("2 dBm", "power", "has the unknown unit 'dBm' in '2 dBm'; did you mean 'm'?"),
        (
            *("0.2 barg", "pressure"),
            "has the unknown unit 'barg' in '0.2 barg'; did you mean 'bar(g)', above the ambient "
            "pressure?",
        ),
    ],
)
def test_refusals(value: object, dimension: str, message: str) -> None:
    with pytest.raises(QuantityError) as caught:
        parse_quantity(value, dimension)
    assert str(caught.value) == message


@example("¼", "conductivity")  # pint fails an assertion of its own on this one
@given(st.text(max_size=40), st.sampled_from(sorted(DIMENSIONS)))
def test_any_text_is_a_finite_number_or_refused(text: str, dimension: str) -> None:
    for tried in (text, f"3 {text}"):
        assert _finite_or_refused(tried, dimension)


@given(st.text("kgsmh()/*^ 123-%°C", max_size=40))
def test_any_unit_is_read_or_refused(text: str) -> None:
    assert _finite_or_refused(f"3 {text}", "mass_rate")


def _finite_or_refused(text: str, dimension: str) -> bool:
    """Whether the outcome is a finite number, or a refusal on one line; nothing else."""
    try:
        return math.isfinite(parse_quantity(text, dimension))
    except QuantityError as error:
        return "\n" not in str(error)


@pytest.mark.parametrize(
    ("value", "dimension", "text"),
    [
        (0.0742, "mass_rate", "74.2 g/s"),
        (12_400.0, "power", "12.4 kW"),
        (3200.0, "mass", "3.2 t"),
        (63.2 * 86_400, "duration", "63.2 d"),
        (310.0, "duration", "310 s"),
        (1200.0, "duration", "20 min"),
        (3 * 31_557_600.0, "duration", "3 a"),
        (999.6, "power", "1 kW"),
        (999.4, "power", "999 W"),
        (0.0, "power", "0 W"),
        (-5.0, "mass", "-5 kg"),
        (72e6, "energy", "20 kWh"),
        (0.3534, "share", "35.3 %"),
        (300_000 / 31_557_600, "emission_rate", "300 t/a"),
        (313.15, "temperature", "40 degC"),
        (1_234_567.0, "money", "1\u00a0234\u00a0567"),
        (12.5, "money", "12.5"),
        (1.9, "money_per_mass", "1.9 /kg"),
        (300 / 3.6e6, "money_per_energy", "300 /kWh"),
        (1250.4, "length", "1250 m"),
        (42.8e6, "energy_per_mass", "42.8 MJ/kg"),
        (math.inf, "mass", "inf kg"),
        (1005.0, "specific_heat", "1005 J/(kg K)"),
    ],
)
def test_text_for_people(value: float, dimension: str, text: str) -> None:
    assert format_quantity(value, dimension) == text


@given(
    st.floats(1e-6, 1e12),
    st.sampled_from([name for name, kind in DIMENSIONS.items() if kind.scale]),
)
def test_text_for_people_reads_back(value: float, dimension: str) -> None:
    """Three digits: what is written is within half a unit of the third digit."""
    kind = DIMENSIONS[dimension]
    value = min(max(value, 2 * kind.least), kind.most / 2)
    text = format_quantity(value, dimension)
    assert parse_quantity(text, dimension) == pytest.approx(value, rel=0.00501)


def test_importing_costs_no_pint() -> None:
    code = "import allocator.base.quantities, sys; print('pint' in sys.modules)"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "False"


def test_pressures_say_over_what_they_are() -> None:
    assert format_gauge(103_012.0, 100_000.0) == "30.1 mbar(g)"
    assert format_gauge(100_000.0, 100_000.2) == "0 mbar(g)"
    assert format_gauge(98_000.0, 1e5) == "-20 mbar(g)"
    assert format_gauge(1_180_625.0, 1e5) == "10\u00a0806.2 mbar(g)"
    assert format_absolute(103_012.0) == "103 kPa absolute"
    assert absolute_apart(106_000.0, 106_200.0) == (
        "106\u00a0000 Pa absolute",
        "106\u00a0200 Pa absolute",
    )


@pytest.mark.parametrize(
    ("value", "dimension", "up", "down"),
    [
        (0.15102, "share", "15.2 %", "15.1 %"),
        (0.151, "share", "15.1 %", "15.1 %"),
        (0.151 * (1 + 1e-9), "share", "15.1 %", "15.1 %"),
        (1234.2, "mass", "1.24 t", "1.23 t"),
        (1_234_200.0, "mass", "1235 t", "1234 t"),
        (300.0, "temperature", "26.9 degC", "26.8 degC"),
        (1234.2, "money", "1235", "1234"),
        (0.0, "mass", "0 kg", "0 kg"),
    ],
)
def test_rounded_up_and_down(value: float, dimension: str, up: str, down: str) -> None:
    assert format_quantity(value, dimension, 1) == up
    assert format_quantity(value, dimension, -1) == down


@pytest.mark.parametrize(
    ("text", "dimension", "meant"),
    [
        ("4 y", "duration", "'a', a year"),
        ("4 mo", "duration", "'month'"),
        ("3 bara", "pressure", "absolute"),
    ],
)
def test_units_that_are_meant(text: str, dimension: str, meant: str) -> None:
    with pytest.raises(QuantityError, match=meant):
        parse_quantity(text, dimension)
