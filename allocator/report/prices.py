"""What one more unit of each limit is worth, in words."""

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
    "heat": "heat let into {}",
    "money": "money",
    "size": "largest {}",
    "fill_rate": "fill rate of {}",
    "release_rate": "release rate of {}",
    "capacity": "capacity of {}",
    "places": "places for {}",
    "most": "most {} in all",
    "flow": "flow of all {} sources",
    "pressure": "pressure of {} sources",
    "release_pressure": "pressure at which {} gives",
    "demand": "demand {}",
    "min_share": "least share of {}",
}
NOTE = (
    "One more: the linear program solved again with all whole numbers as they are. Planned anew: "
    "with that much more and whole numbers free, from this plan on."
)


def prices(plan: Plan) -> list[str]:
    """A row a limit: what one more of it is worth, and what a larger step brought."""
    rows = price_rows(plan)
    if not rows:
        return []
    heads = ("limit", "now", "one more", "is worth", "planned anew with", "gains")
    return [*table(heads, rows, right=(1, 2, 5)), *paragraph(NOTE)]


def price_rows(plan: Plan) -> list[tuple[str, ...]]:
    """A row a limit: limit, now, one more, is worth, planned anew with, gains."""
    return [_row(price) for price in plan.prices]


def _row(price: Price) -> tuple[str, ...]:
    size, one = UNITS.get(price.dimension, (1.0, "1"))
    goal = GoalResult(price.goal, price.unit, "max", 0.0, None, None, Status.NOT_SOUGHT)
    way = "less " if price.goal in ("emissions", "scarce_material", "money") else ""
    worth = f"{goal_value(goal, price.rate * size)} {way}{goal_title(goal)}"
    step, gains = "", ""
    if price.step is not None and price.gain is not None:
        step = f"{_shown(price.step, price.dimension)} more"
        gains = (goal_value(goal, price.gain) if price.gain else "nothing") + (
            "" if price.proven else ", or more"
        )
    return (
        KINDS.get(price.kind, "limit of {}").format(plain(price.name).replace("@", " at ")),
        _shown(price.value, price.dimension),
        one,
        worth if price.rate > 0 else f"nothing {way}{goal_title(goal)}",
        step,
        gains,
    )


def _shown(value: float, dimension: str) -> str:
    if dimension == "share":
        return percent(value)
    if dimension == "number":
        return f"{value:.4g}"
    return money(value) if dimension == "money" else quantity(value, dimension)
