"""Single tamperings with gas that is vented, and with the flare that burns some of it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from tampering import Tampering, change, edit

from allocator.network.deriving import network_of
from allocator.network.reading import read_site
from allocator.plans.records import Plan
from allocator.search import Settings, make_plan
from allocator.site.records import Site

_GUARDED = read_site(Path(__file__).parent / "cases" / "flare_guards_store.yaml")
_MADE = make_plan(_GUARDED, Settings(node_limit=100, threads=1)).plan
assert _MADE is not None

SITE: Site = network_of(_GUARDED)
PLAN: Plan = _MADE

TORCH, HOLDER = "torch@works", "holder@works"
_small = replace(SITE.machines["torch"], inputs={"biogas": 2.3e-3})
_heavy = replace(SITE.fluids["bio_co2"], emission="counted", emission_weight=20.0)
WEAK = replace(SITE, machines={**SITE.machines, "torch": _small})
DEAR = replace(SITE, fluids={**SITE.fluids, "bio_co2": _heavy})


def vented(**rates: float) -> Plan:
    return change(PLAN, "emissions", vented=rates)


TAMPERED: dict[str, Tampering] = {
    "less vented than there is": Tampering("emission_reported", vented(biogas=0.0), SITE),
    "nothing said of what is vented": Tampering("emission_reported", vented(), SITE),
    "air that is vented": Tampering("unknown_name", vented(biogas=5e-5, air=0.0), SITE),
    "more overflow than there is": Tampering(
        "flare_overflow", edit(PLAN, "machines", TORCH, overflow={HOLDER: 2e-4}), SITE
    ),
    "overflow that no flare burns": Tampering(
        "emission_reported", edit(PLAN, "machines", TORCH, overflow={}), SITE
    ),
    "an engine as a flare": Tampering(
        "flare", edit(PLAN, "machines", "engine@works", overflow={HOLDER: 1e-4}), SITE
    ),
    "a flare of no store": Tampering(
        "unknown_name", edit(PLAN, "machines", TORCH, overflow={"none@works": 1e-4}), SITE
    ),
    "a flare too small": Tampering("flare_room", PLAN, WEAK),
    "a flare whose products weigh more than its gas": Tampering("flare", PLAN, DEAR),
}
