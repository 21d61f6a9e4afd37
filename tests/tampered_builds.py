"""Single tamperings with the numbers, the names and what is built."""

from __future__ import annotations

from handmade_cove import COVE, COVE_MEAN_PLAN, COVE_PLAN
from handmade_ridge import RIDGE_PLAN
from tampering import (
    HOLDER,
    OIL,
    SET,
    SPLIT,
    Tampering,
    add,
    built,
    cove,
    edit,
    ridge,
)

from allocator.plans.records import (
    FLAT,
    LineUse,
    MachineUse,
    MaterialUse,
    Run,
    SourceUse,
    StoreUse,
)
from allocator.site.records import BuiltPipe

TAMPERED: dict[str, Tampering] = {
    # numbers and names
    "a rate is not finite": cove(
        "finite", edit(COVE_PLAN, "stores", HOLDER, inflow=float("nan")), "stores[holder@works]"
    ),
    "an infinite size": cove("finite", edit(COVE_PLAN, "stores", HOLDER, size=float("inf"))),
    "a flow below zero": cove(
        "negative", edit(COVE_PLAN, "sources", "kiln", direct={FLAT: -0.0003}), "sources[kiln]"
    ),
    "a machine load below zero": cove("negative", edit(COVE_PLAN, "machines", OIL, cycled=-0.1)),
    "an unknown source": cove("unknown_name", edit(COVE_PLAN, "sources", "bog", name="fen")),
    "an unknown type of store": cove(
        "unknown_name", edit(COVE_PLAN, "stores", HOLDER, type="bladder", name="bladder@works")
    ),
    "an unknown type of machine": cove(
        "unknown_name", edit(COVE_PLAN, "machines", SET, type="turbine", name="turbine@works")
    ),
    "an unknown build": cove("unknown_name", edit(COVE_PLAN, "runs", "lane", build="dn900")),
    "an unknown route": cove("unknown_name", edit(COVE_PLAN, "runs", "lane", route="alley")),
    "a destination that is not there": cove(
        "unknown_name",
        edit(COVE_PLAN, "sources", "north", collect={"store:holder@yard": 0.016}),
    ),
    "a shape that is nobody's": cove(
        "unknown_name", edit(COVE_PLAN, "stores", HOLDER, draw={FLAT: 0.0024, "village": 0.001})
    ),
    "following on the mean basis": cove(
        "unknown_name", edit(COVE_MEAN_PLAN, "machines", SET, following={"town": 0.1})
    ),
    "an unknown line": cove("unknown_name", add(COVE_PLAN, "lines", LineUse("feeder", True))),
    "an unknown material": cove(
        "unknown_name", add(COVE_PLAN, "materials", MaterialUse("brass", 0.0, None))
    ),
    "a source listed twice": cove(
        "listed_twice", add(COVE_PLAN, "sources", SourceUse("north", True, True))
    ),
    "a machine listed twice": cove(
        "listed_twice", add(COVE_PLAN, "machines", COVE_PLAN.machines[0])
    ),
    "another stock than the site's": cove(
        "differs_from_site", edit(COVE_PLAN, "materials", "steel", stock=1900.0)
    ),
    "another demand than the site's": cove(
        "differs_from_site", edit(COVE_PLAN, "demands", "hall", mean=1e3)
    ),
    "another content than the site's": cove(
        "differs_from_site", edit(COVE_PLAN, "stores", HOLDER, holds="oil")
    ),
    "a store under another's name": cove(
        "differs_from_site", edit(COVE_PLAN, "machines", OIL, place="yard")
    ),
    # what is built
    "a tap that does not stand": cove(
        "not_standing", edit(COVE_PLAN, "sources", "north", new=False)
    ),
    "a tap that stands already": cove(
        "stands_already", edit(COVE_PLAN, "sources", "kiln", new=True)
    ),
    "a pipe that does not stand": cove("not_standing", edit(COVE_PLAN, "runs", "lane", new=False)),
    "a pipe that stands already": cove("stands_already", edit(COVE_PLAN, "runs", "quay", new=True)),
    "a line that does not stand": ridge(
        "not_standing", edit(RIDGE_PLAN, "lines", "feeder", new=False)
    ),
    "a source used but not tapped": cove(
        "tap_missing", edit(COVE_PLAN, "sources", "north", tapped=False)
    ),
    "a store larger than what was bought": cove(
        "store_size", edit(COVE_PLAN, "stores", HOLDER, size=300.0)
    ),
    "a store larger than the largest": ridge(
        "store_most", edit(RIDGE_PLAN, "stores", "ball@hub", size=11.0, new_size=11.0)
    ),
    "a store smaller than the smallest": cove(
        "store_least", edit(COVE_PLAN, "stores", HOLDER, size=50.0, new_size=50.0, units=1)
    ),
    "a store of part of a unit": cove(
        "store_units", edit(COVE_PLAN, "stores", HOLDER, size=247.0, new_size=247.0)
    ),
    "a store in units that is sold by size": cove(
        "store_units", edit(COVE_PLAN, "stores", "tank@works", units=5)
    ),
    "a store where none is offered": cove(
        "place_not_offered",
        add(COVE_PLAN, "stores", StoreUse("tank@yard", "tank", "yard", "oil", 1.0, 1.0, None)),
    ),
    "a store at an excluded place": cove(
        "excluded_place",
        add(COVE_PLAN, "stores", StoreUse("holder@pond", "holder", "pond", "gas", 100.0, 100.0, 2)),
    ),
    "a tap at an excluded place": cove(
        "excluded_place", edit(COVE_PLAN, "sources", "bog", tapped=True, new=True)
    ),
    "a pipe to an excluded place": cove(
        "excluded_place", add(COVE_PLAN, "runs", Run("bank", "dn25", "gas", True))
    ),
    "a machine at an excluded place": cove(
        "excluded_place", add(COVE_PLAN, "machines", MachineUse("set@pond", "set", "pond", 1, 1))
    ),
    "half a machine": cove("whole_number", edit(COVE_PLAN, "machines", SET, count=1.5, new=1.5)),
    "more machines than were bought": cove(
        "machine_count", edit(COVE_PLAN, "machines", SET, count=2)
    ),
    "more machines than the place takes": cove(
        "machine_place_limit", edit(COVE_PLAN, "machines", SPLIT, count=2, new=2)
    ),
    "more machines than the site takes": cove(
        "machine_type_limit",
        add(
            edit(COVE_PLAN, "machines", SET, count=2, new=2),
            "machines",
            MachineUse("set@pond", "set", "pond", 1, 1),
        ),
    ),
    "a machine where none is offered": cove(
        "place_not_offered",
        add(COVE_PLAN, "machines", MachineUse("oil_set@yard", "oil_set", "yard", 1, 1)),
    ),
    "a build that the route does not offer": cove(
        "build_not_offered", edit(COVE_PLAN, "runs", "lane", build="dn15")
    ),
    "a build that is not for the fluid": cove(
        "build_fluid", edit(COVE_PLAN, "runs", "lane", build="tube")
    ),
    "two pipes for one fluid": cove(
        "one_build", add(COVE_PLAN, "runs", Run("lane", "tube", "gas", True))
    ),
    # what stands
    "a replaced pipe said to cost nothing": Tampering(
        "not_standing",
        edit(COVE_PLAN, "runs", "lane", new=False),
        built(COVE, pipes=(*COVE.built.pipes, BuiltPipe("lane", "dn15", "gas"))),
    ),
    "a store that stands less than it is said to": Tampering(
        "store_size", COVE_PLAN, built(COVE, storage={("tank", "works"): 99.0})
    ),
    "a machine that does not stand": Tampering(
        "machine_count", COVE_PLAN, built(COVE, machines={})
    ),
}
