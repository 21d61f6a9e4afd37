"""What every study returns: tables and figures, shown, read and saved in one way."""

from __future__ import annotations

import dataclasses
import json
import os
from collections.abc import Iterable, Mapping
from html import escape
from typing import ClassVar

from allocator.base.file_names import file_names
from allocator.base.folders import MANIFEST, folder_at, write_folder
from allocator.base.rendering import csv_of, html_of
from allocator.base.table import Table
from allocator.base.text import WIDTH, columns
from allocator.plans.records import Plan
from allocator.site.records import Site


class StudyResult:
    """A frozen record whose fields are tables and figures; a table is had by its name as well.

    A subclass says what its text and its JSON are. ``command`` names the files; ``more_files``:
    those besides text, JSON and the fields that are tables.
    """

    __slots__ = ()
    command: ClassVar[str]
    more_files: ClassVar[tuple[str, ...]] = ()
    site: Site

    def tables(self) -> tuple[Table, ...]:
        """Every table, in the order of the fields."""
        assert dataclasses.is_dataclass(self)
        values = (getattr(self, field.name) for field in dataclasses.fields(self))
        return tuple(value for value in values if isinstance(value, Table))

    def __getitem__(self, name: str) -> Table:
        """A table by its name. Raises KeyError where there is none."""
        found = {table.name: table for table in self.tables()}
        if name not in found:
            raise KeyError(f"there is no table {name!r}; there are {', '.join(found)}")
        return found[name]

    def summary(self) -> str:
        """The result as text for a terminal, ending in a new line."""
        raise NotImplementedError

    def to_json(self) -> str:
        """The result as JSON with SI units in the keys, ending in a new line."""
        raise NotImplementedError

    def plans(self) -> Mapping[str, Plan]:
        """Plans of the study by name; each has a folder of its own among the files."""
        return {}

    def other_files(self) -> dict[str, str]:
        """Texts besides those that every result has, by file name."""
        return {}

    @classmethod
    def usual_files(cls) -> set[str]:
        """Names of all files that :meth:`save` may write, but for those of plans."""
        assert dataclasses.is_dataclass(cls)
        tables = {f"{one.name}.csv" for one in dataclasses.fields(cls) if "Table" in str(one.type)}
        return {f"{cls.command}.txt", f"{cls.command}.json", *tables, *cls.more_files}

    def files(self) -> dict[str, bytes]:
        """What :meth:`save` writes, by name: text, JSON, tables with rows as CSV, plans."""
        with columns(WIDTH):  # the same whatever the terminal
            texts = {f"{self.command}.txt": self.summary()}
        texts[f"{self.command}.json"] = self.to_json()
        texts |= {f"{table.name}.csv": csv_of(table) for table in self.tables() if table.rows}
        texts |= self.other_files()
        files = {name: text.encode("utf-8") for name, text in texts.items()}
        plans = self.plans()
        if not plans:
            return files
        from allocator.engine import plan_folder_files  # slow to import

        folders = file_names(plans, taken=[*texts, MANIFEST])
        return files | {
            f"{folders[name]}/{file}": content
            for name, plan in plans.items()
            for file, content in plan_folder_files(self.site, plan).items()
        }

    def save(self, path: str | os.PathLike[str]) -> None:
        """Write :meth:`files` into a folder, which is made where it is missing.

        Raises:
            OutputError: the folder cannot be written; it is then as it was.
        """
        write_folder(folder_at(path), self.files(), self.command)

    def __repr__(self) -> str:
        return self.summary()

    def _repr_html_(self) -> str:
        heads = escape(f"{type(self).__name__}: {', '.join(table.name for table in self.tables())}")
        return f"<p>{heads}</p>" + "".join(map(html_of, self.tables()))


def study_json(kind: str, site: Site | None, facts: Mapping[str, object]) -> str:
    """A result as JSON of a format such as ``allocator.sources/1``."""
    about = {} if site is None else {"site": {"name": site.name, "sha256": site.sha256}}
    data = {"format": kind, **about, **facts}
    return json.dumps(data, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def joined(*sections: Iterable[str]) -> str:
    """Lines of sections as one text that ends in a new line."""
    return "\n".join(line for lines in sections for line in lines) + "\n"
