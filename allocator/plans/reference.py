"""The keys of the plan file as a table in Markdown, from what the records declare."""

from __future__ import annotations

from allocator.plans.file import PLAN
from allocator.plans.records import FORMAT


def plan_reference() -> str:
    """The table of all keys, a row a key.

    It stands in ``networks/README.md`` between two marks, as it is given here.

    Returns
    -------
    str
        Markdown that ends in a new line. ``[]`` stands for each row of a list.
    """
    rows = [("format", f"`{FORMAT}`", "The format of the file."), *PLAN.rows("")]
    lines = [f"| `{path}` | {words} | {text} |" for path, words, text in rows]
    return "\n".join(["| key | value | meaning |", "|---|---|---|", *lines]) + "\n"
