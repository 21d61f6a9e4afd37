"""What an audit takes on trust: fields of a plan that it does not recompute, and code it shares.

A field that :data:`TRUSTED` does not name is recomputed, or is a decision that every rule is held
against. For that the audit has code of its own, but for the functions of :data:`SHARED` and what a
record says of its own fields: a fault in one of those may pass.
"""

from __future__ import annotations

from collections.abc import Mapping

TRUSTED: Mapping[str, str] = {
    "goals[].bound": "bounds of goals; none may be below what it bounds",
    "goals[].bound_kind": "whether a bound is certified or the solver's word",
    "goals[].status": "why the search of a goal stopped; 'optimal' only where value and bound meet",
    "ceiling": "ceilings; none may be below the firm power or above the demand",
    "power.mean_clean_w": "mean power of a firm plan; from the firm power to the demand",
    "power.mean_total_w": "mean power of a firm plan; from the firm power to the demand",
    "clock_worth": "gain from known clocks; it states no more firm power with free ones",
    "prices": "the marginal value of a limit; limits are compared with the site file",
    "limits": "the text on what limits the plan",
    "heat.notes": "the notes on condensation",
    "heat.drains": "where water condenses, and how much",
    "verified": "whether it was audited when it was made",
    "seed": "the seed of its search",
}
"""Place in the plan file -> what it is, and what is checked of it all the same."""

SHARED: Mapping[str, str] = {
    "allocator.network.deriving.network_of": "names of nodes and streams, in which plans speak; "
    "capacities by bore, temperatures and draws out of chambers are held against the audit's own",
    "allocator.network.cautions.cautions_for": "which cautions a site needs, and their words",
    "allocator.site.mixes.supplies_of": "the supply mixes of a site",
    "allocator.site.mixes.supply_named": "goals, limits and machines of a supply mix",
    "allocator.plans.outages.plan_during": "a plan with units out, put together of its own fields",
    "allocator.plans.file.other_version": "words on a plan of other rules",
    "allocator.physics.substances.value": "properties of fluids",
    "allocator.physics.substances.latent_heat": "properties of fluids",
    "allocator.physics.substances.molar_mass": "properties of fluids",
    "allocator.physics.substances.saturation_pressure": "properties of fluids",
    "allocator.physics.substances.saturation_temperature": "properties of fluids",
}
"""Function that the engine uses as well -> what the audit takes from it."""


def taken_on_trust() -> str:
    """Two sentences for whoever reads an audit."""
    what = dict.fromkeys(words.partition(";")[0] for words in TRUSTED.values())
    shared = dict.fromkeys(words.partition(";")[0] for words in SHARED.values())
    return (
        f"Taken from the plan and not recomputed: {', '.join(what)}. "
        f"Calculated by functions that planning uses as well: {', '.join(shared)}."
    )
