"""One thing has one head in all tables."""

from __future__ import annotations

import ast
import re
from collections import defaultdict
from pathlib import Path

from allocator.base.labels import LABELS, head

ROOM = Path(__file__).parents[2] / "allocator"

REASONS = {
    ("unit", "text"): "files have SI beside units of people",
    ("value", "number"): "files have SI beside units of people",
    ("used_share", "share"): "of a capacity, or of a stock",
    ("capacity", "mass_rate"): "of builds, beside what pressure allows",
    ("end", "text"): "the end of a pipe; elsewhere one of the two ends of a frontier",
    ("limit", "text"): "what is limited; or, in `why`, which limit is left out",
    ("power", "power"): "which power it is, is the whole of the head",
    ("rate_while_on", "mass_rate"): "a plan at average flows knows means alone",
    ("flow", "mass_rate"): "of a source while it is on, or the most of a booster",
    ("reason", "text"): "what is reasoned about differs",
}
"""Names of columns of one kind that are different things in different tables."""


def heads() -> dict[tuple[str, str], set[str]]:
    """Heads by name and kind of column, of all calls that make a column with a literal head."""
    found: dict[tuple[str, str], set[str]] = defaultdict(set)
    for path in ROOM.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Name)):
                continue
            texts = [one.value for one in node.args if isinstance(one, ast.Constant)]
            if node.func.id == "labelled" and texts:
                names = [k.value for k in node.keywords if k.arg == "name"]
                name = ast.literal_eval(names[0]) if names else texts[0]
                kind = texts[1] if len(texts) > 1 else "text"
                found[name, kind].add(head(texts[0]))
            elif node.func.id == "Column" and len(texts) == len(node.args) > 1:
                found[texts[0], texts[2] if len(texts) > 2 else "text"].add(texts[1])
    return found


def test_one_head_for_one_quantity() -> None:
    differing = {key: told for key, told in heads().items() if len(told) > 1 and key not in REASONS}
    assert not differing


def test_the_walk_sees_the_columns() -> None:
    found = heads()
    assert found["mean", "mass_rate"] == {"mean flow"}
    assert found["place", "text"] == {"place"}
    assert found["money", "money"] == {"cost"}


def test_every_label_is_used() -> None:
    text = "".join(path.read_text(encoding="utf-8") for path in ROOM.rglob("*.py"))
    unused = [key for key in LABELS if not re.search(rf'(labelled|head)\(\s*"{key}"', text)]
    assert not unused
