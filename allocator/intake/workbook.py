"""A site file as a workbook, and back: a sheet for each section, a cell for each value as written.

The sheet ``site`` holds what has no names of its own (``name``, ``limits.money``), one key a row.
Other sheets have a row for each thing and a column for each key; keys below a key are columns with
a point, ``size.max``. Lists and mappings stand in one cell as YAML: ``{steel: 2 kg/kg}``.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Any

from allocator.base.errors import AllocatorError, Fault
from allocator.base.quantities import shown
from allocator.intake.cell_marks import Marks
from allocator.intake.cells import Sheet, TableFileError, refuse
from allocator.intake.columns import is_remark
from allocator.site.document import DocumentError, read_document
from allocator.site.formats import FORMAT
from allocator.site.kinds import Kind
from allocator.site.nodes import Items, Node, Scalar
from allocator.site.records.site import SITE
from allocator.site.shapes import Named, Variants
from allocator.site.table import KeyTable
from allocator.site.writing import value_text

TOP = "site"
KEYS = "keys"
"""The sheets of the keys at the top and of the explanation of all keys, which is not read."""
NAME = "name"
LONGEST = 32_767
"""Characters that a cell of a workbook may hold."""
_CREATED = datetime(2000, 1, 1)

Tree = dict[str, Any]
"""A file as mappings, lists, text as written, and None for null."""


def tree_of(node: Node) -> Any:
    """Nodes of a document as a tree; text stays as it was written."""
    if isinstance(node, Scalar):
        return None if node.empty else node.text
    if isinstance(node, Items):
        return [tree_of(item) for item in node.items]
    return {key.text: tree_of(value) for key, value in node.pairs if isinstance(key, Scalar)}


def sections() -> dict[str, tuple[str, ...]]:
    """The sections of a site file with names of their own -> their columns, in order."""
    return {
        key.name: tuple(dict.fromkeys(_columns(key.kind.table)))
        for key in SITE.keys
        if isinstance(key.kind, Named)
    }


def _columns(table: KeyTable | Variants, before: str = "") -> Iterator[str]:
    tables = (table.matching, table.other) if isinstance(table, Variants) else (table,)
    for one in tables:
        for key in one.keys:
            if isinstance(key.kind, KeyTable):
                yield from _columns(key.kind, f"{before}{key.name}.")
            else:
                yield f"{before}{key.name}"


def workbook_bytes(tree: Mapping[str, Any]) -> bytes:
    """The workbook of a site file's tree; of an empty one, the workbook to fill in.

    Equal bytes for equal trees.

    Raises
    ------
    AllocatorError
        A list is too long for a cell.
    """
    import xlsxwriter

    sink = io.BytesIO()
    with xlsxwriter.Workbook(sink, {"in_memory": True}) as book:
        book.set_properties({"created": _CREATED})
        bold, plain = book.add_format({"bold": True}), book.add_format({"num_format": "@"})
        named = sections()
        top = [["key", "value"], *_top_rows(tree, named)]
        sheets = {TOP: top, **{n: _rows(tree.get(n) or {}, c) for n, c in named.items()}}
        sheets[KEYS] = [["sheet", "key", "required", "what it is"], *_explained(SITE, "", "")]
        for name, rows in sheets.items():
            sheet = book.add_worksheet(name)
            sheet.freeze_panes(1, 1)
            sheet.set_column(0, len(rows[0]), 16, plain)
            for number, row in enumerate(rows):
                for column, text in enumerate(row):
                    if len(text) > LONGEST:
                        raise AllocatorError(
                            f"{name}: {row[0]}: {rows[0][column]} is too long for a cell of a "
                            "workbook; move the series into a CSV file"
                        )
                    if text:
                        sheet.write_string(number, column, text, bold if number == 0 else plain)
    return sink.getvalue()


def _top_rows(tree: Mapping[str, Any], named: Mapping[str, object]) -> list[list[str]]:
    if not tree:
        keys = [key for key in _columns(SITE) if key.partition(".")[0] not in named]
        return [[key, FORMAT if key == "format" else ""] for key in keys]
    rows = []
    for key, value in tree.items():
        if key not in named:
            kind = SITE.by_name[key].kind if key in SITE.by_name else None
            rows += [[path, cell_text(one)] for path, one in _leaves(kind, key, value)]
    return rows


def _rows(section: Mapping[str, Any], columns: tuple[str, ...]) -> list[list[str]]:
    rows = [[NAME, *columns]]
    for name, record in section.items():
        cells = dict(
            leaf for key, value in (record or {}).items() for leaf in _found(columns, key, value)
        )
        rows.append([name, *("" if c not in cells else cell_text(cells[c]) for c in columns)])
    return rows


def _found(columns: tuple[str, ...], path: str, value: Any) -> Iterator[tuple[str, Any]]:
    """The cells of a value: its own where it has a column, else those of the keys below."""
    if path in columns:
        yield path, value
    else:
        for key, below in (value or {}).items():
            yield from _found(columns, f"{path}.{key}", below)


def _leaves(kind: Kind | None, path: str, value: Any) -> Iterator[tuple[str, Any]]:
    if isinstance(kind, KeyTable) and isinstance(value, dict):
        for key, below in value.items():
            known = kind.by_name.get(key)
            yield from _leaves(known.kind if known else None, f"{path}.{key}", below)
    else:
        yield path, value


def _explained(table: KeyTable, sheet: str, before: str) -> Iterator[list[str]]:
    for key in table.keys:
        if isinstance(key.kind, Named):
            inner = key.kind.table
            tables = (inner.matching, inner.other) if isinstance(inner, Variants) else (inner,)
            rows = [tuple(row) for one in tables for row in _explained(one, key.name, "")]
            yield from map(list, dict.fromkeys(rows))
        elif isinstance(key.kind, KeyTable):
            yield from _explained(key.kind, sheet, f"{before}{key.name}.")
        else:
            required = "required" if key.required else ""
            yield [sheet or TOP, f"{before}{key.name}", required, key.about.replace("**", "")]


def cell_text(value: Any) -> str:
    """The text of a cell: a value as written, where that is not taken for something else."""
    if isinstance(value, str):
        plain = value == value.strip() and value[:1] not in ("[", "{", '"') and "\r" not in value
        if plain and value and not Scalar(value, True, 0, 0).empty:
            return value
    text = value_text(value)
    return f'"{text}"' if isinstance(value, str) and text[:1] != '"' else text


def tree_of_sheets(sheets: tuple[Sheet, ...], file: str, marks: Marks | None = None) -> Tree:
    """The tree of a site file of the sheets of its workbook.

    ``marks``: takes the cell of each value.

    Raises
    ------
    TableFileError
        Unknown sheets or columns, rows without a name, names that stand twice, cells with
        brackets that cannot be read: all of them.
    """
    named = sections()
    by_name = {sheet.name: sheet for sheet in sheets}
    faults: list[Fault] = []
    marks = {} if marks is None else marks
    if TOP not in by_name:
        remedy = "make one with 'allocator template -o FILE.xlsx'"
        raise refuse(file, f"has no sheet {shown(TOP)}", remedy)
    for name, sheet in by_name.items():
        if name not in (*named, TOP, KEYS) and sheet.rows:
            faults.append(sheet.fault(1, 1, "is no section of a site file", "delete the sheet"))
    tree: Tree = {}
    marks[()] = (by_name[TOP], 1, 1)
    rows = by_name[TOP].rows
    for number, cells in rows[1:]:
        key, text = (*(cell.strip() for cell in cells[:2]), "", "")[:2]
        if not key and text:
            faults.append(by_name[TOP].fault(number, 1, "has a value without a key", "add it"))
        elif text:
            marks[tuple(key.split("."))] = mark = (by_name[TOP], number, 2)
            _put(tree, key, text, mark, faults)
    for name, columns in named.items():
        if name in by_name and by_name[name].rows:
            marks[name,] = (by_name[name], 1, 1)
            section = _section(by_name[name], name, columns, marks, faults)
            if section:
                tree[name] = section
    if faults:
        raise TableFileError(faults)
    order = [key.name for key in SITE.keys]
    return {key: tree[key] for key in sorted(tree, key=lambda k: (*order, k).index(k))}


def _section(
    sheet: Sheet, section: str, columns: tuple[str, ...], marks: Marks, faults: list[Fault]
) -> Tree:
    (top, headings), *rows = sheet.rows
    if headings[0].strip() != NAME:
        faults.append(sheet.fault(top, 1, "does not begin with the column 'name'", "add it"))
        return {}
    remarks = {p for p, h in enumerate(headings) if is_remark(h) and h.strip() not in columns}
    for place, heading in enumerate(headings):
        used = any(len(row) > place and row[place].strip() for _, row in rows)
        if place in remarks:
            continue
        if heading.strip() not in (NAME, *columns) and (used or heading.strip()):
            problem = f"has the unknown heading {shown(heading)}"
            bare = heading.partition("[")[0].strip()
            remedy = f"name it {shown(bare)}, and write units in the cells below"
            remedy = remedy if bare in columns else "see the sheet 'keys', or delete the column"
            faults.append(sheet.fault(top, place + 1, problem, remedy))
        elif heading.strip() in [h.strip() for h in headings[:place]]:
            problem = f"has the heading {shown(heading)} twice"
            faults.append(sheet.fault(top, place + 1, problem, "keep one of them"))
    found: Tree = {}
    for number, cells in rows:
        name = cells[0]
        if not name.strip() or name in found:
            problem = "has the name of another row" if name.strip() else "has no name"
            faults.append(sheet.fault(number, 1, problem, "give each row its own name"))
            continue
        record: Tree = {}
        marks[section, name] = (sheet, number, 1)
        for place, text in list(enumerate(cells))[1:]:
            if text.strip() and place < len(headings) and place not in remarks:
                key, mark = headings[place].strip(), (sheet, number, place + 1)
                marks[section, name, *key.split(".")] = mark
                _put(record, key, text, mark, faults)
        found[name] = record
    return found


def _put(
    tree: Tree, path: str, text: str, mark: tuple[Sheet, int, int], faults: list[Fault]
) -> None:
    """Puts a cell's value where its key leads; notes what cannot be read."""
    sheet, row, column = mark
    *above, last = path.split(".")
    for key in above:
        tree = tree.setdefault(key, {})
        if not isinstance(tree, dict):
            faults.append(sheet.fault(row, column, f"{path}: {key} has a value", "delete one"))
            return
    value: Any = text
    if text[:1] in ("[", "{", '"') or text == "null":
        try:
            value = tree_of(read_document(f"a: {text}".encode()))["a"]
        except (DocumentError, TypeError) as error:
            problem = f"{path}: {error}" if isinstance(error, DocumentError) else path
            faults.append(sheet.fault(row, column, problem, "check brackets and quotes"))
            return
    if last in tree:
        faults.append(sheet.fault(row, column, f"gives {shown(path)} twice", "keep one"))
    tree[last] = value
