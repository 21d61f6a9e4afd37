"""Names from a site file as names of files: harmless, and one a thing."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from allocator.base.file_names import file_name, file_names, same_file


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("clean only", "clean_only"),
        ("../../x", "x"),
        ("/etc/passwd", "etc_passwd"),
        ("C:\\Windows", "C_Windows"),
        ("..", ""),
        ("", ""),
        ("\0", ""),
        ("-rf", "rf"),
        (".hidden", "hidden"),
        ("Gülle & Gas", "Gülle_Gas"),
        ("con", "name_con"),
        ("LPT1.txt", "name_LPT1.txt"),
    ],
)
def test_known_names(name: str, expected: str) -> None:
    assert file_name(name) == expected


@given(st.lists(st.text(), unique=True, max_size=8), st.lists(st.text(min_size=1), max_size=3))
def test_every_name_has_a_file_of_its_own_within_its_folder(
    names: list[str], taken: list[str]
) -> None:
    found = file_names(names, taken)
    used = [*found.values(), *set(taken)]
    for number, one in enumerate(found.values()):
        assert Path("home", one).parent == Path("home")
        assert os.path.normpath(f"home/{one}") == f"home/{one}"
        assert one.isprintable()
        assert len(one.encode()) < 100
        assert not any(same_file(one, other) for other in used[number + 1 :])


def test_names_that_would_be_one_file_are_told_apart() -> None:
    found = file_names(["a b", "a_b", "A B"], taken=["page.html"])
    assert found["a b"] == "a_b"
    assert len({name.casefold() for name in found.values()}) == 3
