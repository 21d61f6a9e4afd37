"""Files that are no usable document: each gives one fault with its mark, never a traceback."""

from __future__ import annotations

from pathlib import Path

import pytest

from allocator.base.errors import SiteFileError
from allocator.network.reading import check_site, read_site
from allocator.site.document import read_document
from allocator.site.nodes import plain_data

CHECK = "check colons, brackets, quotes and indentation"
BOMB = b"a: &a [1, 1, 1, 1, 1, 1, 1, 1, 1, 1]\n" + b"".join(
    b"%c: &%c [%s]\n" % (letter + 1, letter + 1, b", ".join([b"*%c" % letter] * 10))
    for letter in b"abcdefgh"
)
EMPTY = "the file is empty; begin it with 'format: allocator.site/2'; networks/README.md lists "
FORMAT = b"format: allocator.site/2\n"


@pytest.mark.parametrize(
    ("content", "messages"),
    [
        (b"", [f"1:1: {EMPTY}the keys"]),
        (b"# only a remark\n", [f"1:1: {EMPTY}the keys"]),
        (b"---\n", [f"1:1: {EMPTY}the keys"]),
        (
            b"just words",
            [
                "1:1: site: expects a mapping of keys (format, fluids, places, sources, ...); "
                "begin the file with 'format: allocator.site/2'"
            ],
        ),
        (
            b"- a\n- b\n",
            [
                "1:1: site: expects a mapping of keys (format, fluids, places, sources, ...); "
                "begin the file with 'format: allocator.site/2'"
            ],
        ),
        (
            FORMAT + b"sources:\n\tnorth: 1\n",
            ["3:1: a tab is used where YAML allows spaces only; indent with spaces"],
        ),
        (
            FORMAT + b"name: a: b\n",
            [
                "2:8: not valid YAML: mapping values are not allowed in this context; "
                f"{CHECK} above this point"
            ],
        ),
        (
            FORMAT + b"goals: [money\nname: x\n",
            [
                "3:5: not valid YAML: while parsing a flow sequence did not find expected ',' or "
                f"']'; {CHECK} from line 2 on"
            ],
        ),
        (
            FORMAT + b'name: "open\n',
            [
                "3:1: not valid YAML: while scanning a quoted scalar found unexpected end of "
                f"stream; {CHECK} from line 2 on"
            ],
        ),
        (
            FORMAT + b"name: \xff\n",
            ["2:7: the file is not UTF-8 text; save it with the encoding UTF-8"],
        ),
        (
            FORMAT.decode().encode("utf-16"),
            ["1:1: the file is not UTF-8 text; save it with the encoding UTF-8"],
        ),
        (
            FORMAT + b"name: a\x00b\n",
            ["2:8: the character '\\x00' is not allowed in a text file; delete it"],
        ),
        (
            FORMAT + b"name: !!python/name:os.system x\n",
            ["2:7: the tag 'tag:yaml.org,2002:python/name:os.system' is not read; delete the tag"],
        ),
        (
            FORMAT + b"---\nname: second\n",
            ["2:1: a second document begins here; keep one document a file"],
        ),
        (
            b"a: *nowhere\n",
            [
                "1:4: the alias '*nowhere' names nothing above it; "
                "mark the value that it repeats with '&nowhere' first"
            ],
        ),
        (
            b"a: &loop [1, *loop]\n",
            [
                "1:14: the alias '*loop' is inside what it names; "
                "mark the value that it repeats with '&loop' first"
            ],
        ),
        (
            BOMB,
            ["6:4: aliases multiply this to more than 200\u00a0000 values; write the values out"],
        ),
        (
            b"{a: " * 100_000,
            ["1:161: values are nested more than 40 deep; a site file needs six levels"],
        ),
        (
            b"format: allocator.site/3\nnonsense: 1\n",
            [
                "1:9: site: format 'allocator.site/3' is newer than this program reads; "
                "use a newer version"
            ],
        ),
        (
            b"format: allocator.site/0\n",
            [
                "1:9: site: format 'allocator.site/0' is not the format of a site file; "
                "write 'allocator.site/2'"
            ],
        ),
        (
            b"format: allocator.plan/1\n",
            [
                "1:9: site: format 'allocator.plan/1' is not the format of a site file; "
                "write 'allocator.site/2'"
            ],
        ),
        (
            b"format: [1]\n",
            [
                "1:9: site: format a list is not the format of a site file; "
                "write 'allocator.site/2'",
            ],
        ),
        (
            FORMAT + b"fluids: {}\nplaces:\nsources: {}\ndemands: {}\n",
            [
                "2:9: site: fluids names no fluid; a site needs at least 1",
                "3:8: site: places names no place; a site needs at least 1",
                "4:10: site: sources names no source; a site needs at least 1",
                "5:10: site: demands names no demand; a site needs at least 1",
            ],
        ),
        (
            b"name: nothing else\n",
            [
                "1:1: site: needs the key 'format'; add 'format: allocator.site/2'",
                "1:1: site: needs the key 'fluids'; add 'fluids': what flows here, by name",
                "1:1: site: needs the key 'places'; add 'places': points of the site, by name",
                "1:1: site: needs the key 'sources'; add 'sources': what gives fluids, by name",
                "1:1: site: needs the key 'demands'; add 'demands': what is asked for, by name",
            ],
        ),
    ],
)
def test_unusable_content(content: bytes, messages: list[str], tmp_path: Path) -> None:
    path = tmp_path / "site.yaml"
    path.write_bytes(content)
    report = check_site(path)
    assert report.site is None
    assert [str(fault) for fault in report.faults] == [f"{path}:{said}" for said in messages]


def test_paths_that_cannot_be_read(tmp_path: Path) -> None:
    missing, folder = tmp_path / "missing.yaml", tmp_path
    with pytest.raises(SiteFileError) as caught:
        read_site(missing)
    assert str(caught.value) == f"{missing}: there is no such file; check the path"
    with pytest.raises(SiteFileError) as caught:
        read_site(folder)
    assert str(caught.value) == f"{folder}: is a folder, not a site file; name a file in it"
    with pytest.raises(SiteFileError) as caught:
        read_site("nul\0character")
    assert "cannot be read" in str(caught.value)
    with pytest.raises(SiteFileError) as caught:
        read_site(missing / "below")
    assert len(caught.value.faults) == 1


def test_every_fault_is_a_line_of_the_error(tmp_path: Path) -> None:
    path = tmp_path / "site.yaml"
    path.write_bytes(b"name: nothing else\n")
    with pytest.raises(SiteFileError) as caught:
        read_site(path)
    assert str(caught.value).splitlines() == [str(fault) for fault in caught.value.faults]
    assert len(caught.value.faults) == 5


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("no", "no"),
        ("yes", "yes"),
        ("on", "on"),
        ("12:30", "12:30"),
        ("2024-01-01", "2024-01-01"),
        ("1_000", "1_000"),
        ("1e3", 1000.0),
        ("+1", 1),
        ("010", 10),
        ("0o10", 8),
        ("0x1F", 31),
        (".5", 0.5),
        ("true", True),
        ("True", True),
        ("~", None),
        ("", None),
        ("'12'", "12"),
        ('"true"', "true"),
        (".inf", float("inf")),
    ],
)
def test_scalars_follow_yaml_1_2(text: str, value: object) -> None:
    """The core schema of the YAML 1.2.2 specification, section 10.3.2."""
    read = plain_data(read_document(f"a: {text}\n".encode()))
    assert read == {"a": value}
    assert isinstance(read, dict)
    assert type(read["a"]) is type(value)


def test_byte_order_mark_and_line_ends(tmp_path: Path) -> None:
    assert plain_data(read_document(b"\xef\xbb\xbfa: 1\r\nb: 2\r\n")) == {"a": 1, "b": 2}


def test_aliases_repeat_values() -> None:
    read = plain_data(read_document(b"a: &shared {on: 1}\nb: *shared\nc: [*shared, *shared]\n"))
    assert read == {"a": {"on": 1}, "b": {"on": 1}, "c": [{"on": 1}, {"on": 1}]}
