"""No text that a user reads uses a retired phrase: help, heads, messages, the page, the guides.

Files and records keep their keys (``sources.north.tap``), which stand in quotes or backticks in
text, so quoted words are left out before text is searched. Docstrings are not searched.
"""

from __future__ import annotations

import argparse
import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from allocator.cli.entry import build_parser

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "allocator"

OF_GUIDES = "a word of the guides alone"
RETIRED = {
    r"seeps?": "gas well, landfill well",
    r"vents?": "source, off-gas outlet (the verb is 'vented')",
    r"(un)?tap(s|ped|ping)?": "connect, connected, connection",
    r"stands?|stood|standing": "is, exists, existing",
    r"comes? to|came to": "reaches, value",
    r"at the most": "at most, limit reached",
    r"what there is": "what is available",
    r"would do": "sufficient",
    r"told": "reported, states",
    r"as (it|they) comes?": "direct, directly",
    r"said (of|to|for|once|wrong)|is said|are said": "stated, reported",
    r"quiet spells?": "outage",
    r"let go": "vented, discharged",
    r"lets? in(to)?": "heat released to",
    r"baths?": "heat sink",
    r"lots?|lumps?": "unit batch",
    r"anew": "again",
    r"mean-basis sum": "average-flow estimate",
    r"plan can pass|can pass|no plan passes": "proven limit",
    r"while on": "flow when on",
    r"worked": "duty, calculated",
    r"turn (at|for ever)|turns for ever": "running",
    r"promises, or is for": "firm output / purpose",
    r"to spare": "margin",
    r"is worth|are worth": "marginal value",
    r"by itself|by themselves": "alone",
    r"generators that it carries": "supportable generators",
    r"for all of it": "for the full mean",
    r"least money": "lowest cost",
    r"who feeds whom": "energy flow",
    r"(?-i:On and off)": "source operation and storage levels",
    r"point at": "hover; details",
    r"press a head": "click a column heading",
    r"may well be chance": "too few cases for a significance test",
    r"strand(s|ing)?|seam": "path column; solver interface",
    r"receivers?": "buffer vessel",
    r"oddit(y|ies)|ledger|laggings?": "warnings, diagnostics, insulation",
    r"brim-?full": "full",
    r"surely|withstands?": "reliable, N-k robustness",
    r"promis(e|es|ed|ing)": f"firm output, firm power ({OF_GUIDES})",
}
"""A retired phrase as a regular expression of whole words, and what to say."""

ALLOWED = {
    ("network/cautions.py", "away from vents and drains"): "the open end of a pipe, no source",
    ("studies/heat_sink_words.py", "a vent that cannot be shut"): "an opening of a vessel",
    ("plans/heat.py", "heat let in"): "a text in plans of older versions, which are still read",
    ("studies/results.py", "study (told TEXT NOT NULL)"): "a column of files that are kept",
    ("studies/results.py", "SELECT told FROM study"): "the same column",
}
"""Texts that may hold a phrase, with the reason, by file and a part of the text."""

NOT_YET: tuple[str, ...] = ()
"""Files and folders of which no test is made yet; nothing is added here."""

PATTERN = re.compile(r"(?<![\w.-])(" + "|".join(RETIRED) + r")(?![\w-])", re.IGNORECASE)
QUOTED = re.compile(r"`[^`\n]*`|'[^'\n]*'")


def faults(text: str) -> list[str]:
    """The retired phrases of a text, in the text, each with what to say."""
    found = []
    plain = QUOTED.sub("''", text)
    for match in PATTERN.finditer(plain):
        instead = next(
            say for old, say in RETIRED.items() if re.fullmatch(old, match[0], re.IGNORECASE)
        )
        around = " ".join(plain[max(0, match.start() - 40) : match.end() + 40].split())
        found.append(f"{match[0]!r} (say: {instead}) in: {around}")
    return found


def literals(path: Path) -> Iterator[tuple[int, str]]:
    """Line and text of every string of a module but docstrings; ``{}`` for what is filled in."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    skipped = {
        id(node.value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            parts = [part for part in node.values if isinstance(part, ast.Constant)]
            skipped |= {id(part) for part in parts}
            yield (
                node.lineno,
                "".join(
                    str(part.value) if isinstance(part, ast.Constant) else "{}"
                    for part in node.values
                ),
            )
    for node in ast.walk(tree):
        text = getattr(node, "value", None) if isinstance(node, ast.Constant) else None
        if isinstance(text, str) and id(node) not in skipped:
            yield node.lineno, text


def heads(path: Path) -> Iterator[tuple[int, str]]:
    """Line and text of every head of a column, which may be a single word."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Column":
            for argument in [*node.args[1:2], *(k.value for k in node.keywords if k.arg == "head")]:
                if isinstance(argument, ast.Constant):
                    yield node.lineno, str(argument.value)


def faults_of(path: Path) -> list[str]:
    """The faults of a module. A single word is a key or a name, unless it is a head."""
    name = path.relative_to(PACKAGE).as_posix()
    texts = [(line, text) for line, text in literals(path) if " " in text.strip()]
    return [
        f"{name}:{line}: {fault}"
        for line, text in [*texts, *heads(path)]
        if not any(name == file and part in text for file, part in ALLOWED)
        for fault in faults(text)
    ]


def rooms() -> list[str]:
    """The rooms of the package, and the modules that are in none."""
    return sorted(path.name for path in PACKAGE.iterdir() if path.suffix in ("", ".py"))


@pytest.mark.parametrize("room", rooms())
def test_strings_of_the_package(room: str) -> None:
    place = PACKAGE / room
    files = [place] if place.is_file() else sorted(place.rglob("*.py"))
    done = [path for path in files if not path.relative_to(PACKAGE).as_posix().startswith(NOT_YET)]
    assert [fault for path in done for fault in faults_of(path)] == []


@pytest.mark.parametrize(
    "path", sorted((PACKAGE / "report/page/templates").iterdir()), ids=lambda path: str(path.name)
)
def test_templates_of_the_page(path: Path) -> None:
    if path.relative_to(PACKAGE).as_posix().startswith(NOT_YET):
        pytest.skip("not done yet")
    text = path.read_text(encoding="utf-8")
    if path.suffix == ".js":
        text = "\n".join(re.findall(r"([\"'`](?:[^\"'`\n]* [^\"'`\n]*)[\"'`])", text))
        text = text.replace("'", " ").replace("`", " ")
    elif path.suffix == ".css":
        text = "\n".join(re.findall(r"content:\s*\"([^\"]*)\"", text))
    else:
        text = re.sub(r"<[^>]*>|\{[{%#].*?[}%#]\}", " ", text)
    assert faults(text) == []


def parsers() -> Iterator[tuple[str, argparse.ArgumentParser]]:
    """The parser of the program and of each command."""
    program = build_parser()
    yield "allocator", program
    for action in program._actions:
        if isinstance(action, argparse._SubParsersAction):
            yield from action.choices.items()


@pytest.mark.parametrize(("name", "command"), list(parsers()))
def test_help_of_commands(name: str, command: argparse.ArgumentParser) -> None:
    if f"cli/{name}.py" in NOT_YET:
        pytest.skip("not done yet")
    assert faults(command.format_help()) == []


def documents() -> list[Path]:
    """The guides of users, and the sites with the comments in them."""
    guides = [ROOT / "README.md", ROOT / "networks/README.md"]
    return [*guides, *sorted((ROOT / "networks").glob("*.yaml"))]


@pytest.mark.parametrize("path", documents(), ids=lambda path: f"{path.parent.name}/{path.name}")
def test_documents(path: Path) -> None:
    if path.relative_to(ROOT).as_posix().startswith(NOT_YET):
        pytest.skip("not done yet")
    text = path.read_text(encoding="utf-8")
    if path.suffix == ".md":
        text = re.sub(r"^```.*?^```", "", text, flags=re.MULTILINE | re.DOTALL)
    else:  # keys of the file keep their names
        text = re.sub(r"\btap:", "", text)
    assert [fault for fault in faults(text) if OF_GUIDES not in fault] == []


@pytest.mark.parametrize(
    ("text", "phrase"),
    [
        ("the longest of a tapped source", "tapped"),
        ("Vents that burst", "Vents"),
        ("6.28 t, would do", "would do"),
        ("no plan can pass 611 kW", "plan can pass"),
        ("Press a head to sort", "Press a head"),
        ("machines at the most that may stand there", "at the most"),
    ],
)
def test_a_retired_phrase_is_found(text: str, phrase: str) -> None:
    assert faults(text)[0].startswith(repr(phrase))


def test_keys_and_other_words_are_no_faults() -> None:
    assert faults("the key 'tap' of `sources`; a steam-vent; the standstill; vented; lotion") == []


def test_allowed_texts_are_still_there() -> None:
    for file, part in ALLOWED:
        text = " ".join(text for _, text in literals(PACKAGE / file))
        assert part in text
