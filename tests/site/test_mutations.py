"""Valid site files, damaged in every way: a Site or a SiteFileError, and never anything else."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from allocator.base.errors import Fault
from allocator.network.reading import check_site
from allocator.site.document import read_document
from allocator.site.nodes import plain_data
from allocator.site.records import Site

SINK = Path(__file__).parent / "kitchen_sink.yaml"
TEXT = SINK.read_text(encoding="utf-8")
DATA = plain_data(read_document(TEXT.encode()))

Path_ = tuple[str | int, ...]

SCALARS = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(),
    st.text(max_size=12),
    st.sampled_from(
        [
            "3 g/s",
            "-3 g/s",
            "0 kg",
            "5 kWh",
            "2 d",
            "40 degC",
            "nan",
            "1e999 kg",
            "power",
            "heat",
            "well_gas",
            "north",
            "yard",
            "1 /kg",
            "200 %",
            "hall_load.csv",
            "..",
            "1e-31 m",
        ]
    ),
)
VALUES = st.recursive(
    SCALARS,
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.text(max_size=8) | st.sampled_from(["power", "csv", "low", "on"]), inner, max_size=3
        )
    ),
    max_leaves=6,
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("mutations")
    shutil.copy(SINK.with_name("hall_load.csv"), folder)
    return folder


def _read(folder: Path, content: bytes) -> None:
    """Reads a file; all that may come out is a site without faults, or faults without a site."""
    path = folder / "site.yaml"
    path.write_bytes(content)
    report = check_site(path)
    assert isinstance(report.site, Site) == (report.faults == ())
    for fault in (*report.faults, *report.warnings):
        assert isinstance(fault, Fault)
        assert "\n" not in str(fault)
        str(fault).encode()
        assert fault.line >= 1
        assert fault.column >= 1
    marks = [fault.line for fault in report.faults if fault.file == str(path)]
    assert marks == sorted(marks)


def _paths(node: Any, above: Path_ = ()) -> list[Path_]:
    below: list[tuple[str | int, Any]] = []
    if isinstance(node, dict):
        below = list(node.items())
    elif isinstance(node, list):
        below = list(enumerate(node))
    return [above, *(path for key, part in below for path in _paths(part, (*above, key)))]


PATHS = [path for path in _paths(DATA) if path]


def _at(data: Any, path: Path_) -> Any:
    for key in path:
        data = data[key]
    return data


@st.composite
def _damaged(draw: st.DrawFn) -> Any:
    """The kitchen sink after one to four deletions, swaps, renamings or changes of a value."""
    data = json.loads(json.dumps(DATA))
    for _ in range(draw(st.integers(1, 4))):
        *above, key = draw(st.sampled_from(PATHS))
        try:
            parent = _at(data, tuple(above))
            parent[key]
        except (KeyError, IndexError, TypeError):
            continue  # an earlier change took it away
        if isinstance(parent, str):
            continue  # an earlier change put text in the place of a list
        deed = draw(st.sampled_from(["delete", "change", "swap", "rename"]))
        if deed == "delete":
            del parent[key]
        elif deed == "change":
            parent[key] = draw(VALUES)
        elif deed == "swap":
            parent[key] = json.loads(json.dumps(_at(DATA, draw(st.sampled_from(PATHS)))))
        elif isinstance(parent, dict):
            parent[draw(st.text(max_size=6) | st.sampled_from(["heat", "flat", "a@b"]))] = (
                parent.pop(key)
            )
    return data


@pytest.mark.slow
@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(_damaged())
def test_damaged_values(folder: Path, data: Any) -> None:
    _read(folder, json.dumps(data).encode())  # JSON is YAML; its NaN and Infinity are text


@st.composite
def _scribbled(draw: st.DrawFn) -> bytes:
    """The text of the kitchen sink with pieces cut out, doubled, moved or overwritten."""
    content = bytearray(TEXT.encode())
    for _ in range(draw(st.integers(1, 5))):
        start = draw(st.integers(0, len(content)))
        end = min(len(content), start + draw(st.integers(0, 40)))
        piece = bytes(content[start:end])
        deed = draw(st.sampled_from(["cut", "double", "move", "write"]))
        if deed in ("cut", "move"):
            del content[start:end]
        if deed in ("double", "move"):
            at = draw(st.integers(0, len(content)))
            content[at:at] = piece
        if deed == "write":
            content[start:end] = draw(
                st.binary(max_size=8)
                | st.text("{}[]:,-&*!|>'\"%@`#?\t\n 0ae", max_size=8).map(str.encode)
            )
    return bytes(content)


@pytest.mark.slow
@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(_scribbled())
def test_scribbled_text(folder: Path, content: bytes) -> None:
    _read(folder, content)


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=200) | st.text(max_size=200).map(lambda text: text.encode()))
def test_random_bytes(folder: Path, content: bytes) -> None:
    _read(folder, content)


@settings(max_examples=150, deadline=None)
@given(
    st.binary(max_size=60) | st.text("time_sw,0123456789.-\n\"'[]kW ", max_size=60).map(str.encode)
)
def test_random_series(folder: Path, content: bytes) -> None:
    """A series is read or refused; the site file beside it is whole."""
    path = folder / "other" / "site.yaml"
    path.parent.mkdir(exist_ok=True)
    path.write_text(TEXT, encoding="utf-8")
    path.with_name("hall_load.csv").write_bytes(content)
    report = check_site(path)
    assert isinstance(report.site, Site) == (report.faults == ())
    assert all(Path(fault.file).name == "hall_load.csv" for fault in report.faults)


@pytest.mark.slow
def test_every_key_deleted(folder: Path) -> None:
    """Each value of the kitchen sink taken away by itself: read or refused."""
    for path in PATHS:
        data = json.loads(json.dumps(DATA))
        del _at(data, path[:-1])[path[-1]]
        _read(folder, json.dumps(data).encode())


OTHERS: list[Any] = [None, True, -1, 1e300, "x", [], {}, [[]], {"low": 1, "high": 2}]


@pytest.mark.slow
@pytest.mark.parametrize("other", OTHERS, ids=repr)
def test_every_value_replaced(folder: Path, other: Any) -> None:
    """Each value of the kitchen sink replaced by one of each shape: read or refused."""
    for path in PATHS:
        data = json.loads(json.dumps(DATA))
        _at(data, path[:-1])[path[-1]] = other
        _read(folder, json.dumps(data).encode())
