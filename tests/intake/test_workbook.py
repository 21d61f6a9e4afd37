"""A site file as a workbook and back: nothing is lost, nothing is read in silence."""

from __future__ import annotations

import os
import shutil
import tempfile
from dataclasses import replace
from pathlib import Path

import openpyxl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from allocator import read_site
from allocator.cli.entry import main
from allocator.intake.cells import Sheet, TableFileError, read_sheets
from allocator.intake.merging import merged, same
from allocator.intake.workbook import tree_of, tree_of_sheets, workbook_bytes
from allocator.site.document import read_document
from allocator.site.records.site import SITE
from allocator.site.shapes import Named, Variants
from allocator.site.table import KeyTable
from allocator.site.writing import tree_text

ROOT = Path(__file__).parents[2]
SITES = [ROOT / "tests" / "site" / "kitchen_sink.yaml", *sorted((ROOT / "networks").glob("*.yaml"))]
LAWS = int(os.environ.get("ALLOCATOR_LAWS", "8"))
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


def sheets_of(content: bytes) -> tuple[Sheet, ...]:
    """The sheets of a workbook."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "a.xlsx"
        file.write_bytes(content)
        return read_sheets(file)


VALUES = st.recursive(
    st.one_of(st.none(), TEXTS, st.sampled_from(["", " ", "12,5 kg", "null", "[a", "1e3", "no"])),
    lambda below: st.one_of(
        st.lists(below, max_size=3), st.dictionaries(TEXTS, below, min_size=1, max_size=3)
    ),
    max_leaves=6,
)


NAMES = TEXTS.filter(str.strip)
"""A row of nothing but spaces is taken as an empty one."""


def records(table: KeyTable | Variants) -> st.SearchStrategy[dict[str, object]]:
    """Any values at some of the keys of a table."""
    keys = (*table.matching.keys, *table.other.keys) if isinstance(table, Variants) else table.keys
    drawn: dict[str, st.SearchStrategy[object]] = {}
    for key in keys:
        if isinstance(key.kind, Named):
            drawn[key.name] = st.dictionaries(
                NAMES, records(key.kind.table), min_size=1, max_size=2
            )
        elif isinstance(key.kind, KeyTable):
            drawn[key.name] = records(key.kind).filter(bool)
        else:
            drawn[key.name] = VALUES
    return st.fixed_dictionaries({}, optional=drawn)


@settings(max_examples=LAWS, deadline=None, suppress_health_check=list(HealthCheck))
@given(tree=records(SITE).filter(bool))
def test_any_tree_comes_back(tree: dict[str, object]) -> None:
    """Every section and key; an empty section is as if it were not there."""
    sheets = sheets_of(workbook_bytes(tree))
    back = tree_of_sheets(sheets, "a.xlsx")
    assert same(back, tree)
    assert same(tree_of(read_document(tree_text(back).encode("utf-8"))), tree)


@pytest.mark.slow
@settings(max_examples=60, deadline=None)
@given(texts=st.lists(TEXTS, min_size=1, max_size=6), steps=st.lists(TEXTS, max_size=3))
def test_any_text_comes_back(
    texts: list[str], steps: list[str], tmp_path_factory: pytest.TempPathFactory
) -> None:
    file = tmp_path_factory.mktemp("texts") / "a.xlsx"
    places = {text: {"elevation": text, "at": [*steps, text]} for text in texts if text.strip()}
    tree: dict[str, object] = {"format": "allocator.site/2", "about": texts[0]}
    if places:  # an empty section is as if it were not there
        tree["places"] = places
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
    capsys.readouterr()
    assert main(["template", str(tmp_path / "a.xlsx"), "-o", str(tmp_path / "a.yaml")]) == 2
    assert "sheet 'site', cell A1: site: needs the key 'fluids'" in capsys.readouterr().err
    assert not (tmp_path / "a.yaml").exists()  # nothing is filled in


def test_a_column_of_remarks_is_not_read(tmp_path: Path) -> None:
    assert (
        main(["template", str(ROOT / "networks/first.yaml"), "-o", str(tmp_path / "a.xlsx")]) == 0
    )
    book = openpyxl.load_workbook(tmp_path / "a.xlsx")
    sheet = book["sources"]
    sheet.cell(1, sheet.max_column + 1, "Remarks")
    sheet.cell(2, sheet.max_column, "[as told by the farmer")
    book.save(tmp_path / "a.xlsx")
    assert main(["template", str(tmp_path / "a.xlsx"), "-o", str(tmp_path / "b.yaml")]) == 0
    first, back = read_site(ROOT / "networks/first.yaml"), read_site(tmp_path / "b.yaml")
    assert back.sources == first.sources


@pytest.mark.parametrize(
    ("sheet", "cell", "value", "said"),
    [
        ("sources", "A2", None, "has no name"),
        ("sources", "A3", "digester", "has the name of another row"),
        ("sources", "B1", "wo", "unknown heading 'wo'"),
        ("sources", "B1", "flow [g/s]", "name it 'flow', and write units in the cells below"),
        ("sources", "B2", "=1+1", "holds a formula"),
        ("places", "B2", "[0 m, 0 m", "check brackets"),
        ("site", "A1", "merged", "is merged"),
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


@pytest.mark.parametrize(
    ("sheet", "key", "value", "said"),
    [
        ("sources", "flow", "12,5 g/s", "sheet 'sources', cell {}2: source 'digester': flow has"),
        ("sources", "place", "frm", "sheet 'sources', cell {}2: source 'digester': place"),
        ("sources", "place", None, "sheet 'sources', cell A2: source 'digester': needs the key"),
        ("sources", "cycle", "[{on: 3 kg, every: 1 h}]", "cell {}2: source 'digester': cycle[1]"),
        ("places", "at", "[0 m]", "sheet 'places', cell {}2: place 'farm': at expects"),
        ("sources", "cycle", "6 h of 24 h", "got '6 h of 24 h'; write it in brackets, with commas"),
    ],
)
def test_faults_of_values_are_told_by_sheet_and_cell(
    tmp_path: Path, capsys: Said, sheet: str, key: str, value: object, said: str
) -> None:
    file = tmp_path / "a.xlsx"
    assert main(["template", str(ROOT / "networks" / "first.yaml"), "-o", str(file)]) == 0
    book = openpyxl.load_workbook(file)
    headings = [cell.value for cell in book[sheet][1]]
    cell = book[sheet].cell(2, headings.index(key) + 1)
    cell.value = value
    book.save(file)
    capsys.readouterr()
    assert main(["template", str(file), "-o", str(tmp_path / "a.yaml")]) == 2
    (told,) = capsys.readouterr().err.splitlines()
    assert told.startswith(f"{file}: ")
    assert said.format(cell.column_letter) in told
    assert not (tmp_path / "a.yaml").exists()


def test_a_workbook_is_no_site_file(tmp_path: Path, capsys: Said) -> None:
    assert main(["template", "-o", str(tmp_path / "a.xlsx")]) == 0
    capsys.readouterr()
    assert main(["check", str(tmp_path / "a.xlsx")]) == 2
    assert "is a workbook or another packed file; make a site file" in capsys.readouterr().err


def test_bad_arguments(tmp_path: Path, capsys: Said) -> None:
    (tmp_path / "a.xlsx").write_text("no workbook")
    assert main(["template", str(tmp_path / "a.xlsx"), "-o", str(tmp_path / "a.yaml")]) == 2
    assert "is not an Excel workbook" in capsys.readouterr().err
    assert main(["template", "-o", str(tmp_path / "a.txt")]) == 2
    assert main(["template", str(tmp_path / "none.yaml"), "-o", str(tmp_path / "b.xlsx")]) == 2
