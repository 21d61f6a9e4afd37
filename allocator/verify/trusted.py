"""What an audit takes on trust: what only a solver can find, for an audit has none.

Every other field of a plan is recomputed, or is a decision that every rule is held against.
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
    "clock_worth": "gain from known clocks; firm power with free ones is no more",
    "prices": "the marginal value of a limit; limits are compared with the site file",
    "limits": "the text on what limits the plan",
    "heat.notes": "the notes on condensation",
    "verified": "whether it was audited when it was made",
    "seed": "the seed of its search",
}
"""Place in the plan file -> what it is, and what is checked of it all the same."""


def taken_on_trust() -> str:
    """One sentence for whoever reads an audit."""
    what = dict.fromkeys(words.partition(";")[0] for words in TRUSTED.values())
    return f"Taken from the plan and not recomputed: {', '.join(what)}."
