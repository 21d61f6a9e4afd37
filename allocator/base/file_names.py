"""File and folder names made from names that a user chose."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Iterable

LONGEST = 80
"""Bytes of a name: with a suffix it stays below the 255 that common file systems allow."""

_DEVICES = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)
"""Names that Windows keeps for devices."""


def file_name(name: str) -> str:
    """A name as one part of a path on any common system; empty where nothing of it can be used.

    Letters, digits, ``-``, ``_`` and ``.`` stay, every other run of characters becomes ``_``, and
    the result begins and ends with a letter or digit. So it never leads out of its folder, names
    no hidden file and is never taken for an option.
    """
    safe = re.sub(r"[^\w.-]+", "_", unicodedata.normalize("NFC", name)).strip("._-")
    if _DEVICES.fullmatch(safe):
        safe = f"name_{safe}"
    if len(safe.encode("utf-8")) > LONGEST:
        head = safe.encode("utf-8")[: LONGEST - 9].decode("utf-8", "ignore")
        safe = f"{head}_{_digest(name)}"
    return safe


def same_file(first: str, second: str) -> bool:
    """Whether two names may be one file: not all systems tell capital letters apart."""
    return first.casefold() == second.casefold()


def file_names(names: Iterable[str], taken: Iterable[str] = ()) -> dict[str, str]:
    """A file name of its own for each of some distinct names, none of them among ``taken``.

    Names whose file names would be the same, or unusable, get a digest of the name behind them,
    all but the first.
    """
    used = {name.casefold() for name in taken}
    found = {}
    for name in names:
        safe = file_name(name)
        if not safe or safe.casefold() in used:
            safe = f"{safe or 'name'}_{_digest(name)}"
        used.add(safe.casefold())
        found[name] = safe
    return found


def _digest(name: str) -> str:
    return hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()[:8]
