"""A site file as a workbook and back: nothing is lost, nothing is read in silence."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from allocator import read_site
from allocator.cli.entry import main
from allocator.intake.cells import TableFileError, read_sheets
from allocator.intake.merging import merged, same
from allocator.intake.workbook import tree_of, tree_of_sheets, workbook_bytes
from allocator.site.document import read_document
from allocator.site.writing import tree_text

ROOT = Path(__file__).parents[2]
SITES = [ROOT / "tests" / "site" / "kitchen_sink.yaml", *sorted((ROOT / "networks").glob("*.yaml"))]
Said = pytest.CaptureFixture[str]


@pytest.mark.parametrize("file", SITES, ids=lambda file: file.stem)
def test_there_and_back_is_an_equal_site(file: Path, tmp_path: Path) -> None:
    shutil.copy(ROOT / "tests" / "site" / "hall_load.csv", tmp_path)
    for beside in file.parent.glob("*.csv"):
        shutil.copy(beside, tmp_path)
    assert main(["template", str(file), "-o", str(tmp_path / "a.xlsx")]) == 0
    back = tmp_path / f"{file.stem}.yaml"
    assert main(["template", str(tmp_path / "a.xlsx"), "-o", str(back)]) == 0
    assert replace(read_site(back), sha256="") == replace(read_site(file), sha256="")
    # units as written
    tree = tree_of(read_document(file.read_bytes()))
    assert same(tree_of(read_document(back.read_bytes())), tree)
    # unchanged in the workbook: not a letter of the file changes
    assert merged(file.read_text(encoding="utf-8"), tree_of(read_document(back.read_bytes()))) == (
        file.read_text(encoding="utf-8")
    )
    assert workbook_bytes(tree) == workbook_bytes(tree)


TEXTS = st.text(st.characters(blacklist_categories=("Cs", "Cc")), min_size=1, max_size=20)


@pytest.mark.slow
@settings(max_examples=60, deadline=None)
@given(texts=st.lists(TEXTS, min_size=1, max_size=6), steps=st.lists(TEXTS, max_size=3))
def test_any_text_comes_back(
    texts: list[str], steps: list[str], tmp_path_factory: pytest.TempPathFactory
) -> None:
    file = tmp_path_factory.mktemp("texts") / "a.xlsx"
    places = {text: {"elevation": text, "at": [*steps, text]} for text in texts if text.strip()}
    tree = {"format": "allocator.site/2", "about": texts[0], "places": places}
    file.write_bytes(workbook_bytes(tree))
    back = tree_of_sheets(read_sheets(file), "a.xlsx")
    assert same(back, tree)
    assert same(tree_of(read_document(tree_text(back).encode("utf-8"))), tree)


def test_changes_keep_comments_and_order(tmp_path: Path, capsys: Said) -> None:
    file, book_file = tmp_path / "first.yaml", tmp_path / "first.xlsx"
    shutil.copy(ROOT / "networks" / "first.yaml", file)
    before = file.read_text(encoding="utf-8")
    assert main(["template", str(file), "-o", str(book_file)]) == 0
    book = openpyxl.load_workbook(book_file)
    places, pipes = book["places"], book["pipes"]
    places.append(["quarry", "[50 m, 60 m]"])
    headings = [cell.value for cell in pipes[1]]
    pipes.cell(2, headings.index("capacity") + 1).value = "18 g/s"
    book["materials"].cell(2, 1).value = "steel"
    book.save(book_file)
    assert main(["template", str(book_file), "-o", str(file)]) == 0
    after = file.read_text(encoding="utf-8")
    gone = set(before.splitlines()) - set(after.splitlines())
    assert gone == {"    capacity: 15 g/s"}
    assert "  quarry: {at: [50 m, 60 m]}" in after.splitlines()
    assert "# NPS 1 schedule 40" in after
    assert read_site(file).pipes["dn25"].capacity == 0.018
    assert "kept" in capsys.readouterr().err


def test_the_empty_workbook_has_every_section(tmp_path: Path, capsys: Said) -> None:
    assert main(["template", "-o", str(tmp_path / "a.xlsx")]) == 0
    book = openpyxl.load_workbook(tmp_path / "a.xlsx")
    assert book.sheetnames[0] == "site"
    assert {"sources", "places", "storage", "keys"} <= set(book.sheetnames)
    assert main(["template", str(tmp_path / "a.xlsx"), "-o", str(tmp_path / "a.yaml")]) == 0
    assert main(["check", str(tmp_path / "a.yaml")]) == 2  # nothing is filled in


@pytest.mark.parametrize(
    ("sheet", "cell", "value", "said"),
    [
        ("sources", "A2", None, "has no name"),
        ("sources", "A3", "digester", "has the name of another row"),
        ("sources", "B1", "wo", "unknown heading 'wo'"),
        ("sources", "B2", "=1+1", "holds a formula"),
        ("places", "B2", "[0 m, 0 m", "check brackets"),
        ("site", "A1", "merged", "merges the cells"),
    ],
)
def test_bad_workbooks(tmp_path: Path, sheet: str, cell: str, value: object, said: str) -> None:
    file = tmp_path / "a.xlsx"
    assert main(["template", str(ROOT / "networks" / "first.yaml"), "-o", str(file)]) == 0
    book = openpyxl.load_workbook(file)
    book[sheet][cell] = value
    if value == "merged":
        book[sheet].merge_cells("A1:B1")
    if cell == "A3":
        book[sheet]["B3"] = "farm"
    book.save(file)
    with pytest.raises(TableFileError, match=said.replace("(", r"\(")):
        tree_of_sheets(read_sheets(file), "a.xlsx")
    assert main(["template", str(file), "-o", str(tmp_path / "a.yaml")]) == 2
    assert not (tmp_path / "a.yaml").exists()


def test_bad_arguments(tmp_path: Path, capsys: Said) -> None:
    (tmp_path / "a.xlsx").write_text("no workbook")
    assert main(["template", str(tmp_path / "a.xlsx"), "-o", str(tmp_path / "a.yaml")]) == 2
    assert "is not an Excel workbook" in capsys.readouterr().err
    assert main(["template", "-o", str(tmp_path / "a.txt")]) == 2
    assert main(["template", str(tmp_path / "none.yaml"), "-o", str(tmp_path / "b.xlsx")]) == 2
