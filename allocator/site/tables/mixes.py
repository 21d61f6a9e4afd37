"""Keys of the supply mixes that a site is compared under."""

from __future__ import annotations

from allocator.site.groups import ListOf
from allocator.site.kinds import Choice, Name, Quantity, Text
from allocator.site.records import GOALS
from allocator.site.table import Key, KeyTable

MACHINE = Name("machines", "machine")

MIXES = KeyTable(
    (
        Key("about", Text(), "What the mix is for"),
        Key(
            "machines",
            ListOf(MACHINE, least=1, distinct=True),
            "The only machines that may be used; default: all",
        ),
        Key(
            "goals",
            ListOf(Choice(GOALS), least=1, distinct=True),
            "What matters, most first; default: as on the site",
        ),
        Key("emission", Quantity("mass_rate", least=0), "Most counted emission, mean over time"),
        Key("money", Quantity("money", least=0), "Most money for all that is new and runs"),
    )
)
