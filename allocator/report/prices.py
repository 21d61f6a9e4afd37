"""The marginal value of each limit, in words."""

from __future__ import annotations

from allocator.base.status import Status
from allocator.base.text import paragraph, table
from allocator.plans.records import GoalResult, Plan, Price
from allocator.report.words import goal_title, goal_value, money, percent, plain, quantity

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
KINDS = {
    "stock": "stock of {}",
    "emission": "emission cap",
    "heat": "heat released to {}",
    "money": "money",
    "size": "size limit of {}",
    "fill_rate": "fill rate of {}",
    "release_rate": "release rate of {}",
    "capacity": "capacity of {}",
    "places": "unit limit of {}",
    "most": "units of {} in all",
    "flow": "flow of all {} sources",
    "pressure": "pressure of {} sources",
    "release_pressure": "pressure at which {} gives",
    "demand": "demand {}",
    "min_share": "minimum share of {}",
}
NOTE = (
    "Marginal value: of one unit more, with all unit counts, pipes and sizes in steps as planned. "
    "Gain: found by planning again from this plan with the larger limit and nothing fixed."
)


def prices(plan: Plan, currency: str = "") -> list[str]:
    """A row a limit: its marginal value, and the gain when planned again with more of it."""
    rows = price_rows(plan, currency)
    if not rows:
        return []
    heads = ("limit", "now", "unit", "marginal value", "planned again with", "gain")
    return [*table(heads, rows, right=(1, 2, 5)), *paragraph(NOTE)]


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
        KINDS.get(price.kind, "limit of {}").format(plain(price.name).replace("@", " at ")),
        _shown(price.value, price.dimension, currency),
        one,
        worth if price.rate > 0 else f"nothing {way}{goal_title(goal)}",
        step,
        gains,
    )


def _shown(value: float, dimension: str, currency: str) -> str:
    if dimension == "share":
        return percent(value)
    if dimension == "number":
        return f"{value:.4g}"
    return money(value, currency) if dimension == "money" else quantity(value, dimension)
