"""The key reference in networks/README.md is made from the records, and has every key."""

from __future__ import annotations

import re
from pathlib import Path

from allocator import read_site
from allocator.site.keys import KeyGroup, key, record, table_of
from allocator.site.kinds import Quantity
from allocator.site.records.site import SITE
from allocator.site.reference import TOP, table, with_tables
from allocator.site.shapes import Named
from allocator.site.table import KeyTable

README = Path(__file__).parents[2] / "networks" / "README.md"


def test_the_readme_has_the_tables_of_the_records() -> None:
    text = README.read_text(encoding="utf-8")
    remedy = "run: python -m allocator.site.reference networks/README.md"
    assert with_tables(text) == text, remedy


def test_the_readme_has_a_table_of_every_section() -> None:
    marked = re.findall(r"<!-- keys of (\w+) -->", README.read_text(encoding="utf-8"))
    sections = [one.name for one in SITE.keys if isinstance(one.kind, Named | KeyTable)]
    assert sorted(marked) == sorted([TOP, *sections])


def test_every_section_has_a_snippet_and_together_they_are_a_site(tmp_path: Path) -> None:
    text = README.read_text(encoding="utf-8")
    for part in text.split("\n## ")[1:]:
        if marked := re.search(r"<!-- keys of (\w+) -->", part):
            assert "```yaml\n" in part[: marked.start()], marked[1]
    together = tmp_path / "brickworks.yaml"
    together.write_text("\n".join(re.findall(r"```yaml\n(.*?)```", text, re.S)), encoding="utf-8")
    site = read_site(together)
    assert site.name == "Brickworks"
    for section in (one.name for one in SITE.keys if isinstance(one.kind, Named)):
        assert getattr(site, section), section


def test_a_cell_is_read_at_a_glance() -> None:
    text = README.read_text(encoding="utf-8")
    rows = [line for line in text.splitlines() if line.startswith("|") and "->" not in line]
    cells = [cell for row in rows for cell in row.strip("|").split(" | ")]
    assert len(cells) > 1000
    assert [cell for cell in cells if len(cell.split()) > 20] == []


def test_hand_written_text_stays() -> None:
    text = "before\n<!-- keys of limits -->\nold\n<!-- end of keys -->\nafter\n"
    renewed = with_tables(text)
    assert renewed.startswith("before\n<!-- keys of limits -->\n\n| key |")
    assert renewed.endswith("|\n\n<!-- end of keys -->\nafter\n")
    assert with_tables(renewed) == renewed


def test_rows_say_what_a_key_may_be() -> None:
    rows = {
        "sources": "| `flow` | mass rate, `3 g/s` or range |  | Flow **while it is on** |",
        "storage": "| `size.max` (R) | mass or energy, `20 kWh` |  | Largest size at one place |",
        "pipes": "| `roughness` | length | `0.045 mm` | Of the inner wall |",
        "machines": "| `max_units` | whole number | no limit | Most units in all |",
        "coolers": "| `recovery.threshold` (R) | temperature |  | Inlet temperature below which "
        "there is none |",
        "heat_sinks": "| `steam` | `vented`, `recovered` | `vented` | What becomes of steam: "
        "vented and made up with cold liquid, or condensed and led back |",
        "ambient": "| `temperature` | temperature | `15 degC` | Of the air |",
    }
    for section, row in rows.items():
        assert row in table(section).splitlines()
    assert "\nNot both: `cycle` and `delivery`.\n" in table("sources")
    assert "\nOne of these must be there: `power`, or `fluid` and `flow`.\n" in table("demands")


def test_a_key_is_declared_once() -> None:
    """A field of a record is enough for the table by which the reader reads."""

    @record(groups={"drum": KeyGroup("What the rope is on")})
    class Winch:
        name: str
        pull: float = key(Quantity("power", above=0), "Power of its motor")
        idle: float = key(Quantity("power", least=0), "Power at rest", default=5.0)
        width: float | None = key(Quantity("length"), "Of it", at="drum.width", default=None)

    pull, idle, drum = table_of(Winch).keys
    assert (pull.name, pull.required, pull.default) == ("pull", True, None)
    assert (idle.name, idle.required, idle.default) == ("idle", False, 5.0)
    assert (drum.name, drum.about) == ("drum", "What the rope is on")
    assert isinstance(drum.kind, KeyTable)
    assert drum.kind.by_name["width"].about == "Of it"
    assert Winch("w", 2.0) == Winch("w", pull=2.0, idle=5.0, width=None)
