"""A table: keys with units for machines, figures that a person reads, the same bytes always."""

from __future__ import annotations

import csv
import io
import math
import re

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from allocator.base.column_units import shown_cell, unit_of
from allocator.base.dimensions import DIMENSIONS
from allocator.base.rendering import csv_of, html_of, json_records, lines_of, sheet_rows, text_of
from allocator.base.table import PLAIN_KINDS, Column, Table
from allocator.base.text import WIDTH

SOURCES = Table(
    "sources",
    "Sources",
    (
        Column("source", "source"),
        Column("new", "new", "flag"),
        Column("units", "units", "count"),
        Column("flow", "flow when on", "mass_rate", "What comes while the source is on."),
        Column("duty", "time on", "share"),
        Column("end", "end temperature", "temperature"),
        Column("cost", "cost", "money"),
        Column("unused", "unused", "power"),
    ),
    (
        ("north", True, 2, 0.018, 0.25, 473.15, 1234567.0, None),
        ("=1+1", False, 0, 0.0005, 1 / 3, None, 0.0, None),
    ),
)


def shown(kind: str, *values: float) -> list[str]:
    """The unit of a column of these values, then the values in it."""
    column = Column("x", "x", kind)
    unit = unit_of(column, values)
    return [unit.name, *(shown_cell(column, value, unit) for value in values)]


def test_text_has_the_units_in_the_heads_and_no_empty_column() -> None:
    assert text_of(SOURCES) == repr(SOURCES)
    assert text_of(SOURCES) == (
        "Sources\n"
        "  source  new  units  flow when on, g/s  time on, %  end temperature, degC"
        "       cost\n"
        "  north   yes      2                 18          25                    200"
        "  1\u00a0234\u00a0567\n"
        "  =1+1    no       0                0.5        33.3                      -"
        "          0\n"
    )


def test_a_table_without_rows_says_so() -> None:
    assert text_of(Table("a", "Nothing", SOURCES.columns, ())) == "Nothing\n  none\n"


@pytest.mark.parametrize(
    ("kind", "values", "expected"),
    [
        ("power", (426e3, 65_000.0), ["kW", "426", "65"]),
        ("power", (426e3, 0.0797), ["kW", "426", "0"]),
        ("power", (2.91e-11,), ["W", "0"]),
        ("power", (12.4e6, 3.2e3), ["kW", "12\u00a0400", "3.2"]),
        ("energy", (3.58e9,), ["kWh", "994"]),
        ("energy", (3.6e9, 7.2e10), ["MWh", "1", "20"]),
        ("mass_rate", (0.018, 5e-4), ["g/s", "18", "0.5"]),
        ("mass", (2780.0, 6280.0), ["t", "2.78", "6.28"]),
        ("duration", (64_800.0, 857_088.0), ["d", "0.75", "9.92"]),
        ("duration", (3660.0,), ["min", "61"]),
        ("pressure", (110_000.0, 101_325.0), ["bar", "1.1", "1.01"]),
        ("temperature", (298.45, 0.0), ["degC", "25.3", "-273"]),
        ("share", (0.99999, 0.9999, 1.0), ["%", "100", "99.9", "100"]),
        ("money", (1570.4, 12.345, -2e6), ["", "1570", "12.3", "-2\u00a0000\u00a0000"]),
        ("number", (1570.4, 2e-10, 1.0625), ["", "1570", "0", "1.06"]),
        ("number", (23_088.4,), ["", "23\u00a0088"]),
        ("mass_per_energy", (732e-3 / 3.6e6,), ["g/kWh", "732"]),
        ("viscosity", (1.8e-5,), ["Pa s", "0.000018"]),
        ("temperature_difference", (12.345,), ["K", "12.3"]),
        ("mass_rate_per_mass", (2.5e-6,), ["mg/s per kg", "2.5"]),
        ("power_per_length", (39.96,), ["W/m", "40"]),
        ("power_per_mass", (12.617, None), ["kW/t", "12.6", "-"]),
        ("power", (math.inf,), ["W", "unlimited"]),
        ("duration", (math.inf, 3600.0), ["min", "never", "60"]),
    ],
)
def test_figures_are_those_a_person_uses(
    kind: str, values: tuple[float, ...], expected: list[str]
) -> None:
    assert shown(kind, *values) == expected


@given(
    st.sampled_from(["number", "count", *DIMENSIONS]),
    st.lists(st.floats(-1e12, 1e12), min_size=1, max_size=5),
)
def test_no_figure_has_an_exponent(kind: str, values: list[float]) -> None:
    figures = shown(kind, *values)[1:]
    assert not any("e" in one or one == "-0" for one in figures)


@given(st.floats(1e-1, 1e9))
def test_a_figure_alone_keeps_three_digits(power: float) -> None:
    name, told = shown("power", power)
    size = {"W": 1.0, "kW": 1e3, "MW": 1e6, "GW": 1e9}[name]
    assert float(told) * size == pytest.approx(power, rel=5.1e-3)


@pytest.mark.parametrize(
    ("column", "key"),
    [
        (Column("flow", "", "mass_rate"), "flow_kg_s"),
        (Column("size", "", "mass"), "size_kg"),
        (Column("duty", "", "share"), "duty"),
        (Column("cost", "", "money"), "cost"),
        (Column("price", "", "money_per_mass"), "price_per_kg"),
        (Column("inlet", "", "temperature"), "inlet_k"),
        (Column("gain", "", "conductance"), "gain_w_per_k"),
        (Column("density", "", "density"), "density_kg_per_m3"),
        (Column("margin", "", "temperature_difference"), "margin_k"),
        (Column("gain", "", "mass_rate_per_mass"), "gain_kg_s_per_kg"),
        (Column("loss", "", "power_per_length"), "loss_w_per_m"),
        (Column("flow", "", "mass_rate", file_key="flow_kg_per_s"), "flow_kg_per_s"),
        (Column("units", "", "count"), "units"),
        (Column("source", ""), "source"),
    ],
)
def test_keys_hold_the_unit(column: Column, key: str) -> None:
    assert column.key == key


def test_every_kind_has_a_key_in_snake_case() -> None:
    for kind in (*PLAIN_KINDS, *DIMENSIONS):
        assert re.fullmatch(r"a(_[a-z0-9]+)*", Column("a", "", kind).key)


def test_csv_holds_si_and_no_formula() -> None:
    lines = list(csv.DictReader(io.StringIO(csv_of(SOURCES))))
    assert lines[0] == {
        "source": "north",
        "new": "yes",
        "units": "2",
        "flow_kg_s": "0.018",
        "duty": "0.25",
        "end_k": "473.15",
        "cost": "1234567",
        "unused_w": "",
    }
    assert (lines[1]["source"], lines[1]["duty"]) == ("'=1+1", "0.333333333")


def test_json_holds_every_digit_and_no_infinity() -> None:
    table = Table("a", "", (Column("x", "", "power"),), ((1 / 3,), (math.inf,), (None,)))
    assert json_records(table) == [{"x_w": 1 / 3}, {"x_w": None}, {"x_w": None}]


def test_html_is_escaped() -> None:
    columns = (Column("a", "<b>", about='"x"'), Column("n", "n", "count"))
    html = html_of(Table("a", "<i>", columns, (("<script>", 1),), "1 < 2"))
    assert html == (
        "<table><caption>&lt;i&gt;</caption><thead><tr>"
        '<th scope="col" title="&quot;x&quot;">&lt;b&gt;</th><th scope="col">n</th></tr></thead>'
        '<tbody><tr><td>&lt;script&gt;</td><td style="text-align:right">1</td></tr></tbody>'
        "</table><p>1 &lt; 2</p>"
    )
    assert SOURCES._repr_html_() == html_of(SOURCES)


def test_a_frame_has_numbers_as_numbers() -> None:
    frame = SOURCES.to_frame()
    assert list(frame.columns) == list(SOURCES.keys)
    assert frame["flow_kg_s"].sum() == pytest.approx(0.0185)
    assert frame["units"].dtype == "Int64"
    assert pd.isna(frame["end_k"][1])
    assert len(Table("a", "", SOURCES.columns, ()).to_frame()) == 0


def test_rows_of_a_worksheet_hold_si_and_no_formula() -> None:
    heads, first, second = sheet_rows(SOURCES)
    assert heads[3] == "flow kg s"
    assert first[:4] == ["north", "yes", 2, 0.018]
    assert second[0] == "'=1+1"


def test_a_wide_table_fits_and_breaks_no_number() -> None:
    columns = [Column(f"c{k}", f"a head of many words {k}", "power") for k in range(8)]
    table = Table("a", "", tuple(columns), ((123.0,) * 8,), "A note. " * 30)
    lines = lines_of(table)
    assert max(map(len, lines)) <= WIDTH
    assert any(line.split() == ["123"] * 8 for line in lines)


def test_a_table_that_does_not_fit_together_is_refused() -> None:
    one = Column("a", "a")
    with pytest.raises(ValueError, match="has a name"):
        Column("", "")
    with pytest.raises(ValueError, match="no kind"):
        Column("a", "", "colour")
    with pytest.raises(ValueError, match="share a name"):
        Table("t", "", (one, one), ())
    with pytest.raises(ValueError, match="1 columns"):
        Table("t", "", (one,), (("x", "y"),))
    with pytest.raises(KeyError, match="it has a"):
        Table("t", "", (one,), ()).column("b")


def test_columns_are_chosen_by_name() -> None:
    few = SOURCES.select("flow", "source", title="Flows")
    assert (few.title, few.keys) == ("Flows", ("flow_kg_s", "source"))
    assert few.rows == ((0.018, "north"), (0.0005, "=1+1"))
    with pytest.raises(KeyError):
        SOURCES.select("flows")


def test_columns_of_one_thing_share_a_unit() -> None:
    columns = (Column("store", "store"), Column("a", "a", "mass"), Column("b", "b", "mass"))
    table = Table("t", "Stores", columns, (("tank", 248.0, 3000.0),), one_unit=True)
    assert lines_of(table) == ["  store   a, t  b, t", "  tank   0.248     3"]


def test_csv_has_no_negative_zero() -> None:
    table = Table("t", "", (Column("x", "", "power"),), ((-0.0,), (-1.6e-319,), (-1.0,)))
    assert csv_of(table) == "x_w\n0\n0\n-1\n"
