"""Plain text: nothing wider than a terminal, nothing lost, nothing that steers one."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from allocator.base.text import WIDTH, paragraph, printable, section, table

cells = st.text(st.characters(categories=["L", "N", "P"]), max_size=70)
rows = st.lists(st.lists(cells, min_size=4, max_size=4), min_size=1, max_size=6)


def test_a_table_lines_up() -> None:
    lines = table(("name", "kg"), [("pipe", "12"), ("a long wall", "3")], right=(1,))
    assert lines == [
        "  name         kg",
        "  pipe         12",
        "  a long wall   3",
    ]


def test_a_wide_cell_runs_over_lines_and_the_others_stay_beside_it() -> None:
    lines = table(("name", "told", "kg"), [("pipe", "word " * 40, "12")], right=(2,))
    assert max(map(len, lines)) <= WIDTH
    assert lines[1].startswith("  pipe  word word")
    assert lines[1].endswith("12")
    assert " ".join(lines[1:]).count("word") == 40


def test_names_are_broken_between_their_parts_before_within_one() -> None:
    row = ("abattoir_sludge_main", "hydrogenation_hall_west", "retort_gas_holder", "x" * 30)
    lines = table(("a", "b", "c", "d"), [row], indent=20)
    assert max(map(len, lines)) <= WIDTH
    pieces = {piece for line in lines for piece in line.split()}
    assert "x" * 30 in pieces  # as long as there is room by breaking names
    assert pieces.isdisjoint(row[:3])
    ends = [piece for piece in pieces if piece not in {"a", "b", "c", "d", "x" * 30}]
    assert sorted(part for piece in ends for part in piece.split("_") if part) == sorted(
        part for name in row[:3] for part in name.split("_")
    )


@given(rows)
def test_no_table_is_wider_than_a_terminal_and_no_letter_is_lost(
    given_rows: list[list[str]],
) -> None:
    lines = table(("a", "b", "c", "d"), given_rows)
    assert max(map(len, lines)) <= WIDTH
    shown = sorted("".join(lines[1:]).replace(" ", ""))
    assert shown == sorted("".join("".join(row) for row in given_rows).replace(" ", ""))


@given(st.text(max_size=300))
def test_paragraphs_fit(text: str) -> None:
    assert all(len(line) <= WIDTH for line in paragraph(text, bullet="* "))


@given(st.text())
def test_no_control_character_is_printed(text: str) -> None:
    assert all(c.isprintable() or c in "\n\u00a0" for c in printable(text))


def test_a_name_cannot_steer_the_terminal() -> None:
    assert printable("north\x1b[2J\x07") == "north�[2J�"


def test_a_section_without_lines_is_left_out() -> None:
    assert section("Stores", []) == []
    assert section("Stores", ["  a"]) == ["", "Stores", "  a"]


def test_a_column_with_nothing_in_it_is_no_error() -> None:
    """A plan that releases nothing had such a column, and the summary failed on it."""
    assert table(("", "kg", ""), [("a", "1", "")]) == ["     kg", "  a  1"]


def test_a_table_that_is_too_wide_goes_on_below_and_breaks_no_word() -> None:
    heads = ["name", *(f"temperature {n}, degC" for n in range(12))]
    rows = [["gas_cooler_of_the_works", *("1 234.5" for _ in range(12))]]
    lines = table(heads, rows, right=range(1, 13))
    assert all(len(line) <= WIDTH for line in lines)
    words = [word for line in lines for word in line.split()]
    assert words.count("temperature") == 12
    assert sum("1 234.5" in line for line in lines) == lines.count("") + 1 > 1
    assert words.count("name") == lines.count("") + 1  # the first column is in each part
