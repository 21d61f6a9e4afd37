"""The goals, in the site's order, as expressions to be maximised or minimised."""

from __future__ import annotations

from dataclasses import dataclass

from allocator.model.expressions import scaled
from allocator.model.index_sets import CLASSES, IndexSets
from allocator.model.model import Key, Model, Terms
from allocator.model.rules.power import served
from allocator.model.rules.stock import counted_emission, material_use, money

NEGLIGIBLE = 1e-5
"""Share of a demand that is not worth a pipe: without it, a later goal served a few millionths of
a demand out of the slack of the goals before it, and laid steel for that."""


@dataclass(frozen=True, slots=True)
class Goal:
    """One goal. ``scale``: size in SI below which a difference is of no interest.

    ``negligible``: what a later goal could draw out of the tolerance at which earlier ones are
    held; a gain no larger is none.
    """

    name: str
    unit: str
    maximise: bool
    terms: Terms
    scale: float
    negligible: float = 0.0

    @property
    def sense(self) -> str:
        """``max`` or ``min``."""
        return "max" if self.maximise else "min"


def goals_of(model: Model, sets: IndexSets) -> tuple[Goal, ...]:
    """The site's goals in order; a goal with nothing to decide is left out.

    Where demands have several priorities, a goal that serves is taken priority by priority:
    first for priority 1, then for priorities 1 and 2 together, and so on to all.
    """
    found: list[Goal] = []
    for name in sets.site.goals:
        if name in ("clean_power", "served_power"):
            kinds = ("clean",) if name == "clean_power" else CLASSES
            found += _service(sets, name, "W", True, kinds)
        elif name == "served_fluid":
            found += _service(sets, name, "kg/s", False, CLASSES)
        elif name == "emissions":
            emitted = counted_emission(sets)
            weighs = any(fluid.vented_weight for fluid in sets.site.fluids.values())
            # what is vented is counted a kg/s, of which there are thousandths: in steps of these
            sizes = [abs(value) * (_step(model, key) if weighs else 1.0) for value, key in emitted]
            largest = max(sizes, default=0.0)
            found.append(Goal(name, "kg/s", False, emitted, 1e-9 * max(largest, 1e-6)))
        elif name == "scarce_material":
            terms: Terms = []
            for material in sets.site.materials.values():
                terms += scaled(material_use(sets, material.name), material.scarcity)
            found.append(Goal(name, "kg", False, terms, 1e-6))
        else:
            found.append(Goal(name, "money", False, money(sets, model), 1e-6))
    return tuple(goal for goal in found if model.summed(goal.terms))


def _step(model: Model, key: Key) -> float:
    return model.columns[model.index(key)].unit if model.has(key) else 1.0


def _service(
    sets: IndexSets, name: str, unit: str, power: bool, kinds: tuple[str, ...]
) -> list[Goal]:
    demands = sets.power_demands() if power else sets.fluid_demands()
    priorities = sorted({demand.priority for demand in demands})
    found = []
    for priority in priorities:
        terms: Terms = []
        scale = 0.0
        for demand in demands:
            if demand.priority <= priority:
                terms += served(sets, demand.name, kinds)
                scale += demand.mean
        last = priority == priorities[-1]
        title = name if last else f"{name} to priority {priority}"
        found.append(Goal(title, unit, True, terms, 1e-9 * scale, NEGLIGIBLE * scale))
    return found
