"""Imports run one way, from room to room; what one room uses of another is listed here."""

import ast
from pathlib import Path

import pytest

from allocator.verify.trusted import SHARED

ROOT = Path(__file__).parents[1] / "allocator"

ROOMS = {
    "base": {
        "clock",
        "column_units",
        "compiling",
        "dimensions",
        "errors",
        "file_names",
        "folders",
        "grouped",
        "labels",
        "locks",
        "json_kinds",
        "json_records",
        "numbers_given",
        "old_names",
        "packing",
        "parent_process",
        "process_pool",
        "quantities",
        "quiet",
        "rendering",
        "shown",
        "spreadsheet_cells",
        "status",
        "table",
        "text",
    },
    "physics": {
        "arrays",
        "heat_sink_cycles",
        "heat_sink_settled",
        "thermal_mass",
        "boiling",
        "conductivity",
        "enclosures",
        "exchangers",
        "faults",
        "humidity",
        "inner_film",
        "insulation",
        "library_names",
        "pipes",
        "pressure_loss",
        "recovery",
        "runs",
        "substances",
    },
    "site": {
        "addresses",
        "by_hand",
        "catalogue",
        "chambers",
        "checks",
        "clocks",
        "defaults",
        "document",
        "emissions",
        "fluid_words",
        "enclosures",
        "formats",
        "graph",
        "groups",
        "headings",
        "keys",
        "kinds",
        "local_time",
        "marks",
        "migration",
        "mixes",
        "money",
        "nodes",
        "plain_numbers",
        "reading",
        "recorded",
        "records",
        "records.site",
        "schema",
        "shapes",
        "state",
        "table",
        "writing",
    },
    "cycles": {"", "balance", "chambers", "windows"},
    "network": {
        "heat_sink_body",
        "cautions",
        "coolers",
        "deriving",
        "draft",
        "facts",
        "insulation",
        "levels",
        "offers",
        "properties",
        "reading",
        "records",
        "sinks",
        "pressure_curves",
        "pressure_ranges",
        "pressure_offers",
        "pressure_records",
        "wet_gas",
    },
    "plans": {"differences", "file", "outages", "records"},
    "thermal": {"", "sink_temperatures", "upper"},
    "model": {
        "buffers",
        "chambers",
        "cuts",
        "drops",
        "elastic",
        "expressions",
        "goals",
        "growth",
        "index_sets",
        "kept_in_use",
        "kept_out",
        "least_change",
        "limits",
        "mean_basis",
        "model",
        "outages",
        "pipe_types",
        "pressure_reach",
        "pressures",
        "rules",
        "rules.heat",
        "rules.power",
        "rules.pressure",
        "rules.stock",
        "rules.venting",
        "stating",
        "steady",
        "variables",
        "ways",
    },
    "solver": {
        "bases",
        "cutting",
        "interface",
        "linear",
        "other_solver",
        "probes",
        "pulp_model",
        "settings",
        "solver_model",
    },
    "search": {
        "",
        "as_built",
        "conflicts",
        "elastic",
        "first_run",
        "found",
        "frontier_points",
        "outcome",
        "paths.warming",
        "strategy.budgets",
        "writing",
    },
    "verify": {
        "",
        "case",
        "cycle",
        "figures",
        "loads",
        "march",
        "names",
        "power",
        "pressure_lines",
        "pressure_walk",
        "report",
        "running",
        "tanks.assembly",
        "tanks.chambers",
        "tanks.circuit",
        "tanks.feeds",
        "tanks.phases",
        "tanks.present",
        "tanks.true_clocks",
        "tanks.weakened",
        "timetables",
        "trusted",
        "venting",
    },
    "simulation": {
        "",
        "accounts",
        "adequacy_records",
        "broken",
        "files",
        "filling",
        "operating",
        "rules",
        "running",
        "search",
        "trace",
        "tracing",
        "work",
    },
    "report": {
        "bill",
        "brief",
        "catalogue",
        "recorded",
        "changes",
        "prices",
        "alternatives",
        "files",
        "handover.build_order",
        "handover.chains",
        "handover.coordinates",
        "handover.firm_stages",
        "handover.lists",
        "handover.things",
        "heat_tables",
        "line_tables",
        "loads",
        "page",
        "page.drawing",
        "page.record",
        "page.simulation",
        "page.study_files",
        "simulated",
        "summary",
        "tables",
        "words",
    },
    "intake": {
        "cell_marks",
        "cells",
        "corridor_routes",
        "corridors",
        "fitting",
        "former_corridors",
        "forward",
        "found_cycle",
        "level_log",
        "lists",
        "logs",
        "merging",
        "new_site",
        "page_test",
        "record_store",
        "source_block",
        "source_record",
        "stage_fit",
        "workbook",
    },
    "engine": {
        "",
        "auditing",
        "compiling",
        "paths",
        "plan_folder",
        "planning",
        "replanning",
        "result",
        "simulating",
        "time_limit",
    },
    "studies": {
        "built_result",
        "carry_result",
        "compare_result",
        "diff_result",
        "done_steps",
        "enclosure_result",
        "following",
        "frontier_result",
        "grids",
        "heat_sinks_result",
        "insulate_result",
        "lifting",
        "operate_result",
        "operate_state",
        "result",
        "results",
        "running",
        "schedule_result",
        "scheduling",
        "sources_result",
        "sweep_cases",
        "sweep_result",
        "trade_off",
        "why_result",
    },
    "view": {"desk", "opening", "server"},
    "cli": {"entry"},
}
"""Rooms from the bottom up, each with its modules that others may use; "" is the room itself.

A room imports only rooms above it in this list. The public face, ``allocator/__init__.py``, may
use them all. Whoever opens a module to other rooms adds it here.
"""

FORBIDDEN = {
    "cycles": {"base", "physics"},
    "network": {"cycles"},
    "plans": {"physics", "cycles", "network"},
    "model": {"physics"},
    "solver": {"physics", "cycles", "network", "thermal"},
    "search": {"physics"},
    "verify": {"cycles", "thermal", "model", "solver", "search"},
    "simulation": {"cycles", "thermal", "model", "solver", "search"},
    "report": {"physics", "model", "search", "verify"},
    "intake": {"physics", "network", "plans", "thermal", "model", "solver", "search"},
    "engine": {"cycles", "thermal", "model"},
    "view": {"physics", "cycles", "thermal", "model", "studies"},
    "cli": {"physics", "cycles", "thermal", "model"},
}
"""Rooms above in the list that a room must not use all the same."""


def modules() -> dict[str, Path]:
    """Every module by its full name."""
    found = {}
    for path in sorted(ROOT.rglob("*.py")):
        parts = path.relative_to(ROOT.parent).with_suffix("").parts
        found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


MODULES = modules()


def imported(path: Path) -> set[str]:
    """Full names of all modules that a file imports, at the top or within functions."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            home = node.module or ""
            inside = {f"{home}.{alias.name}" for alias in node.names}
            found |= {name if name in MODULES else home for name in inside}
    return found


def split(name: str) -> tuple[str, str]:
    """The room of a module, and its name within."""
    _, room, rest = f"{name}..".split(".", 2)
    return room, rest.strip(".")


def test_every_file_is_in_a_room() -> None:
    assert {split(name)[0] for name in MODULES} - {"", "__main__"} == set(ROOMS)


@pytest.mark.parametrize("name", [n for n in MODULES if split(n)[0] in ROOMS])
def test_one_way(name: str) -> None:
    room = split(name)[0]
    order = list(ROOMS)
    for used, part in map(split, imported(MODULES[name])):
        if used in ROOMS and used != room:
            assert order.index(used) < order.index(room), f"{room} may not use {used}"
            assert used not in FORBIDDEN.get(room, set()), f"{room} may not use {used}"
            assert part in ROOMS[used], f"{used}.{part} is not for other rooms"


def test_what_is_open_is_used() -> None:
    used = {
        split(taken)
        for name, path in MODULES.items()
        for taken in imported(path)
        if split(taken)[0] != split(name)[0]
    }
    for room, opened in ROOMS.items():
        assert {(room, part) for part in opened} <= used


def test_every_room_says_what_it_is_for() -> None:
    for room in ROOMS:
        said = ast.get_docstring(ast.parse((ROOT / room / "__init__.py").read_text("utf-8")))
        assert said
        assert {"Knows", "knows", "Never"} & set(said.split())  # what it knows, or never does


@pytest.mark.parametrize(
    ("package", "homes"),
    [
        ("pulp", {"solver"}),
        ("highspy", {"solver"}),
        ("pint", {"base"}),
        ("CoolProp", {"physics"}),
        ("argparse", {"cli"}),
    ],
)
def test_stays_at_home(package: str, homes: set[str]) -> None:
    users = {
        split(name)[0]
        for name, path in MODULES.items()
        if any(taken.split(".")[0] == package for taken in imported(path))
    }
    assert users == homes


def test_the_audit_takes_nothing_from_physics_but_properties() -> None:
    """What a fluid is like is data; what a pipe does is a model, and the audit has its own.

    Of the network it takes the names of places, in which plans speak, its records and the words
    of cautions.
    """
    taken = {
        split(used)
        for name, path in MODULES.items()
        if split(name)[0] == "verify"
        for used in imported(path)
    }
    assert {part for room, part in taken if room == "physics"} == {"substances"}
    assert {part for room, part in taken if room == "network"} == {
        "cautions",
        "deriving",
        "records",
    }


def test_what_the_audit_shares_with_the_engine_is_told() -> None:
    """Records are data; each function from outside, but for those of ``base``, is listed."""
    taken = {
        f"{node.module}.{alias.name}"
        for name, path in MODULES.items()
        if split(name)[0] == "verify"
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.ImportFrom)
        and node.module is not None
        and split(node.module)[0] not in ("", "base", "verify")
        for alias in node.names
        if alias.name.islower()
    }
    assert taken == {*SHARED}


def test_lists_take_nothing_from_the_solver_but_the_cutting_of_pipe() -> None:
    """What a plan says is read, not solved again; only how pipe is cut is worked out for a list."""
    taken = {
        split(used)[1]
        for name, path in MODULES.items()
        if split(name)[0] == "report"
        for used in imported(path)
        if split(used)[0] == "solver"
    }
    assert taken == {"cutting"}


def test_no_two_classes_share_a_name() -> None:
    homes: dict[str, str] = {}
    for name, path in MODULES.items():
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                assert node.name not in homes, f"{node.name}: {homes[node.name]} and {name}"
                homes[node.name] = name


def test_functions_are_short() -> None:
    """At most 80 lines and 8 parameters, but for compiled kernels and the functions named here."""
    long = set()
    for name, path in MODULES.items():
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.FunctionDef):
                continue
            kernel = {"compiled", "inlined"}
            if kernel & {ast.unparse(one).split("(")[0] for one in node.decorator_list}:
                continue
            given = [*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs]
            lines = (node.end_lineno or 0) - node.lineno + 1
            if lines > 80 or len([one for one in given if one.arg != "self"]) > 8:
                long.add(f"{name}.{node.name}")
    assert long == {
        "allocator.engine.planning.plan",  # a keyword a setting, and its description
        "allocator.engine.simulating.simulate",  # the same
        "allocator.studies.sweep_result.sweep",  # the same
        "allocator.physics.pipes.gas_capacity",  # one parameter an argument of the formula
        "allocator.search.paths.network.path_network_of",  # a record of 36 arrays
        "allocator.simulation.columns.tables_of",  # a record of 56 arrays
    }
