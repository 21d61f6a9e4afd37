"""Results of the cases of a study, kept on disk one by one, so that a killed study loses none."""

from __future__ import annotations

import contextlib
import json
import sqlite3
from collections.abc import Mapping
from pathlib import Path
from types import TracebackType
from typing import Any, NamedTuple

from allocator.base.errors import AllocatorError

FORMAT = "allocator.cases/1"


class StoreError(AllocatorError):
    """A store of results that cannot be used: which, why, and what to do."""


class Result(NamedTuple):
    """What one case gave: a value of JSON, or the reason for none; seconds it took."""

    value: Any
    reason: str
    seconds: float

    @property
    def ok(self) -> bool:
        """True when the case gave a value."""
        return not self.reason


def cases_in(path: Path) -> int:
    """How many results a file holds; 0 where it is none."""
    try:
        with contextlib.closing(
            sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)
        ) as file:
            return int(file.execute("SELECT COUNT(*) FROM cases").fetchone()[0])
    except sqlite3.Error:
        return 0


class Results:
    """Results by key, in one SQLite file; a result is on disk before the next one is taken.

    Only one process writes: workers hand their results back. Each result is a transaction of its
    own, so that a kill at any moment leaves whole results only.
    """

    def __init__(self, path: Path, study: Mapping[str, Any]) -> None:
        """Open or make the file. ``study``: what the results are of; another study is refused."""
        self._path = path
        told = json.dumps({"format": FORMAT, **study}, sort_keys=True)
        try:
            self._file = sqlite3.connect(path, isolation_level=None)
            self._file.execute("PRAGMA journal_mode=WAL")
            self._file.execute("PRAGMA synchronous=NORMAL")
            self._file.execute("BEGIN IMMEDIATE")
            self._file.execute("CREATE TABLE IF NOT EXISTS study (told TEXT NOT NULL)")
            self._file.execute(
                "CREATE TABLE IF NOT EXISTS cases"
                " (key TEXT PRIMARY KEY, value TEXT, reason TEXT NOT NULL, seconds REAL NOT NULL)"
            )
            row = self._file.execute("SELECT told FROM study").fetchone()
            if row is None:
                self._file.execute("INSERT INTO study VALUES (?)", (told,))
            self._file.execute("COMMIT")
        except sqlite3.Error as error:
            raise StoreError(
                f"{path}: results cannot be kept there ({error}); name another folder"
            ) from error
        if row is not None and row[0] != told:
            self.close()
            raise StoreError(
                f"{path}: holds results of another site, plan or settings; "
                "name another folder, or delete the file"
            )

    def known(self) -> dict[str, Result]:
        """Every result so far."""
        rows = self._file.execute("SELECT key, value, reason, seconds FROM cases").fetchall()
        return {
            key: Result(None if value is None else json.loads(value), reason, seconds)
            for key, value, reason, seconds in rows
        }

    def keep(self, key: str, result: Result) -> None:
        """Write one result down."""
        value = json.dumps(result.value, allow_nan=False) if result.ok else None
        try:
            self._file.execute(
                "INSERT OR REPLACE INTO cases VALUES (?, ?, ?, ?)",
                (key, value, result.reason, result.seconds),
            )
        except sqlite3.Error as error:
            raise StoreError(f"{self._path}: a result cannot be kept ({error})") from error

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()

    def __enter__(self) -> Results:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()
