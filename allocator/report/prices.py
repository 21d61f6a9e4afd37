"""The marginal value of each limit, in words."""

from __future__ import annotations

from allocator.base.labels import head
from allocator.base.status import Status
from allocator.base.text import paragraph, table
from allocator.plans.records import GoalResult, Plan, Price
from allocator.report.words import goal_title, goal_value, money, percent, quantity
from allocator.site.addresses import address_of, path_of_limit

UNITS = {
    "mass": (1.0, "1 kg"),
    "power": (1e3, "1 kW"),
    "energy": (3.6e6, "1 kWh"),
    "mass_rate": (1e-3, "1 g/s"),
    "emission_rate": (1000.0 / 31_557_600.0, "1 t/a"),
    "share": (0.01, "1 %"),
    "pressure": (100.0, "1 mbar"),
    "money": (1.0, "1"),
    "number": (1.0, "1"),
}
"""What one more is, by dimension: SI, and in words."""
NOTE = (
    "Marginal value: of one unit more, with all unit counts, pipes and sizes in steps as planned. "
    "Gain: found by planning again from this plan with the larger limit and nothing fixed."
)

HEADS = (
    *(head("limit"), head("now"), head("unit")),
    *(head("marginal_value"), head("larger_limit"), head("gain")),
)


def prices(plan: Plan, currency: str = "") -> list[str]:
    """A row a limit: its marginal value, and the gain when planned again with more of it."""
    rows = price_rows(plan, currency)
    if not rows:
        return []
    return [*table(HEADS, rows, right=(1, 2, 5)), *paragraph(NOTE)]


def price_rows(plan: Plan, currency: str = "") -> list[tuple[str, ...]]:
    """A row a limit: limit, now, unit, marginal value, planned again with, gain."""
    return [_row(price, currency) for price in plan.prices]


def _row(price: Price, currency: str) -> tuple[str, ...]:
    size, one = UNITS.get(price.dimension, (1.0, "1"))
    goal = GoalResult(price.goal, price.unit, "max", 0.0, None, None, Status.NOT_SOUGHT)
    way = "less " if price.goal in ("emissions", "scarce_material", "money") else ""
    worth = f"{goal_value(goal, price.rate * size, currency)} {way}{goal_title(goal)}"
    step, gains = "", ""
    if price.step is not None and price.gain is not None:
        step = f"{_shown(price.step, price.dimension, currency)} more"
        gains = (goal_value(goal, price.gain, currency) if price.gain else "nothing") + (
            "" if price.proven else ", or more"
        )
    return (
        _address(price),
        _shown(price.value, price.dimension, currency),
        one,
        worth if price.rate > 0 else f"nothing {way}{goal_title(goal)}",
        step,
        gains,
    )


def _address(price: Price) -> str:
    """How commands and the site file name the limit; its name alone where a plan has a new kind."""
    if price.kind == "pressures":
        return f"pressures of {price.name}"
    try:
        return address_of(path_of_limit(price.kind, price.name, price.dimension))
    except KeyError:
        return price.name


def _shown(value: float, dimension: str, currency: str) -> str:
    if dimension == "share":
        return percent(value)
    if dimension == "number":
        return f"{value:.4g}"
    return money(value, currency) if dimension == "money" else quantity(value, dimension)
