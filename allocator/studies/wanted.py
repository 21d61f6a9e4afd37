"""What a user wants of a plan, read from words such as ``firm_clean=40kW``."""

from __future__ import annotations

import warnings

from allocator.base.errors import AllocatorError, OldSpelling
from allocator.base.quantities import QuantityError, parse_quantity, shown
from allocator.model.limits import DIMENSION_OF_WANT, Want
from allocator.network.records import Network
from allocator.site.addresses import AddressError, Path, address_of, resolved

FIGURES: dict[Path, str] = {
    ("firm_clean",): "firm clean power",
    ("firm_total",): "firm power",
}
"""Figures of a plan that may be wanted, which are no key of the site file, in words."""
CONNECT = ("connect:", "tap:")
"""How the connection of a source is asked for; the second is that of older versions."""


class WantError(AllocatorError):
    """A want that cannot be read: what is wrong, what to do."""


def want_of(site: Network, text: str) -> Want:
    """One want.

    ``firm_clean=...``, ``firm_total=...``, ``connect:SOURCE``, or the address of a demand's least
    share, of the units of a machine (at one place), or of a limit of the site, with an amount.

    Raises :class:`WantError` for unknown addresses and quantities that do not fit.
    """
    head, equals, amount = (part.strip() for part in text.partition("="))
    try:
        if head.startswith(CONNECT):
            if head.startswith("tap:"):
                warnings.warn(f"'{head}' is now written 'connect:...'", OldSpelling, stacklevel=2)
            return _connected(site, head.partition(":")[2].strip(), bool(equals))
        known = wantable(site)
        path = resolved(head, known, "figure")
        address, (kind, name) = address_of(path), known[path]
        if not equals:
            raise WantError(f"has no amount; write '{address}=...'")
        value = parse_quantity(amount, DIMENSION_OF_WANT[kind])
        if value < 0 or (value == 0 and kind not in ("emission", "money")):
            raise WantError("must be above 0")
        if DIMENSION_OF_WANT[kind] == "share" and value > 1:
            raise WantError("no more than 100 % of a demand can be served")
    except (AddressError, QuantityError, WantError) as error:
        raise WantError(f"--want {shown(text)}: {error}") from None
    most = "at most" if kind in ("emission", "money") else "at least"
    return Want(kind, name, value, f"{FIGURES.get(path, address)} is wanted to be {most}")


def _connected(site: Network, source: str, amount: bool) -> Want:
    known: list[Path] = [("sources", name) for name in site.own_sources]
    if source in site.own_sources:
        source = f"sources.{source}"
    _, name = resolved(source, known, "source")
    if amount:
        raise WantError(f"a connection has no amount; write 'connect:{name}'")
    return Want("connect", name, 1.0, f"source '{name}' is wanted connected")


def wantable(site: Network) -> dict[Path, tuple[str, str]]:
    """What may be wanted with an amount, by path: kind and name of the want."""
    found: dict[Path, tuple[str, str]] = {path: (path[0], "") for path in FIGURES}
    found |= {("demands", name, "min_share"): ("served", name) for name in site.demands}
    for machine in site.machines.values():
        found["machines", machine.name] = ("machines", machine.name)
        for node in machine.places:
            place = site.ground(node)
            found["machines", machine.name, "places", place] = (
                "machines",
                f"{machine.name}@{place}",
            )
    found |= {("limits", kind): (kind, "") for kind in ("emission", "money")}
    return found
