"""What a user wants of a plan, read from words such as ``firm_clean=40kW`` or ``connect:north``."""

from __future__ import annotations

import difflib

from allocator.base.errors import AllocatorError
from allocator.base.quantities import QuantityError, parse_quantity, shown
from allocator.model.limits import DIMENSION_OF_WANT, Want
from allocator.network.records import Network

PLAIN = ("firm_clean", "firm_total", "emission", "money")
NAMED = ("served", "connect", "machines")
OLD = {"tap": "connect"}


class WantError(AllocatorError):
    """A want that cannot be read: what is wrong, what to do."""


def want_of(site: Network, text: str) -> Want:
    """One want. Raises :class:`WantError` for unknown words, names and quantities."""
    head, equals, amount = text.partition("=")
    kind, colon, name = head.strip().partition(":")
    kind = OLD.get(kind, kind)
    name = name.strip()
    if kind not in DIMENSION_OF_WANT or (kind in PLAIN) == bool(colon):
        known = [
            *(f"{k}=..." for k in PLAIN),
            "served:DEMAND=...",
            "connect:SOURCE",
            "machines:TYPE=...",
        ]
        close = difflib.get_close_matches(kind, DIMENSION_OF_WANT, n=1)
        hint = f"did you mean '{close[0]}'? " if close and kind not in DIMENSION_OF_WANT else ""
        raise WantError(f"--want {shown(text)}: {hint}write one of {', '.join(known)}")
    if kind in NAMED:
        _check_name(site, text, kind, name)
    if kind == "connect":
        if equals:
            problem = f"a connection has no amount; write 'connect:{name}'"
            raise WantError(f"--want {shown(text)}: {problem}")
        return Want(kind, name, 1.0, f"source '{name}' is wanted connected")
    if not equals:
        raise WantError(f"--want {shown(text)}: has no amount; write '{head}=...'")
    dimension = DIMENSION_OF_WANT[kind]
    try:
        value = parse_quantity(amount.strip(), dimension)
    except QuantityError as error:
        raise WantError(f"--want {shown(text)}: {error}") from None
    if value < 0 or (value == 0 and kind not in ("emission", "money")):
        raise WantError(f"--want {shown(text)}: must be above 0")
    if dimension == "share" and value > 1:
        raise WantError(f"--want {shown(text)}: no more than 100 % of a demand can be served")
    return Want(kind, name, value, _words(kind, name))


def _check_name(site: Network, text: str, kind: str, name: str) -> None:
    names = {
        "served": list(site.demands),
        "connect": list(site.own_sources),
        "machines": [
            *site.machines,
            *(f"{m.name}@{site.ground(p)}" for m in site.machines.values() for p in m.places),
        ],
    }[kind]
    if name in names:
        return
    close = difflib.get_close_matches(name, names, n=1)
    remedy = f"did you mean '{close[0]}'?" if close else f"there are {', '.join(names[:8])}"
    raise WantError(f"--want {shown(text)}: the site has no {shown(name)}; {remedy}")


def _words(kind: str, name: str) -> str:
    return {
        "firm_clean": "clean power wanted at all times is at least",
        "firm_total": "power wanted at all times is at least",
        "served": f"of demand '{name}' is wanted served at least",
        "machines": f"machines '{name}' wanted are at least",
        "emission": "counted emission is wanted at most",
        "money": "money in all is wanted at most",
    }[kind]
