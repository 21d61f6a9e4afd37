"""The command as a process: help, pipes, letters, Ctrl-C, completion in a real shell."""

from __future__ import annotations

import shutil
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from allocator import __version__
from allocator.cli import COMMANDS

Command = Callable[..., "subprocess.CompletedProcess[str]"]

ROOT = Path(__file__).parents[2]


def test_help_names_every_command_and_exit_code(command: Command) -> None:
    told = command("--help")
    assert told.returncode == 0
    for word in (*COMMANDS, "completion"):
        assert f"    {word}" in told.stdout
    assert all(f"\n  {code}  " in told.stdout for code in range(6))


def test_help_imports_nothing_heavy() -> None:
    """Import time is what ``--help`` costs; the heavy rooms must wait until they are needed."""
    code = (
        "import sys; from allocator.cli.entry import build_parser; build_parser().format_help();"
        "print(sorted({m.split('.')[0] for m in sys.modules} & "
        "{'numpy', 'pandas', 'pint', 'pulp', 'highspy', 'numba', 'networkx', 'yaml'}))"
    )
    told = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True
    )
    assert told.stdout == "[]\n"


def test_version(command: Command) -> None:
    assert command("--version").stdout == f"allocator {__version__}\n"


def test_no_command_is_bad_input(command: Command) -> None:
    told = command()
    assert told.returncode == 2
    assert "usage:" in told.stderr


def test_a_reader_who_leaves_is_no_error() -> None:
    with subprocess.Popen(
        [sys.executable, "-m", "allocator", "schema"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        cwd=ROOT,
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        assert process.stderr.read() == b""
        assert process.wait() == 0


def test_letters_that_the_terminal_does_not_know(command: Command, tmp_path: Path) -> None:
    site = tmp_path / "site.yaml"
    text = (ROOT / "networks" / "first.yaml").read_text(encoding="utf-8")
    site.write_text(text.replace("digester", "Gärbehälter"), encoding="utf-8")
    told = command("sources", str(site), PYTHONIOENCODING="ascii", PYTHONUTF8="0")
    assert told.returncode == 0
    assert r"G\xe4rbeh\xe4lter" in told.stdout


NOISY = """
import ctypes, sys
from allocator.engine import planning
from allocator.cli.entry import main

plan = planning.make_plan

def noisy(*given):
    ctypes.CDLL(None).printf(b"a note from the solver\\n")
    return plan(*given)

planning.make_plan = noisy
sys.exit(main(sys.argv[1:]))
"""


@pytest.mark.skipif(sys.platform == "win32", reason="no printf to call by this name")
def test_what_a_solver_prints_stays_out_of_the_data(tmp_path: Path) -> None:
    """HiGHS prints notes of its integer search however quiet it is asked to be."""
    arguments = ["plan", "networks/first.yaml", "-o", str(tmp_path / "plan")]
    told = subprocess.run(
        [sys.executable, "-c", NOISY, *arguments],
        capture_output=True,
        text=True,
        cwd=ROOT,
        check=True,
    )
    assert "a note from the solver" not in told.stdout
    assert told.stdout.startswith("First site")
    assert told.stdout.endswith(f"Files: {tmp_path / 'plan'}\n")


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="no SIGINT to send")
def test_ctrl_c_keeps_the_best_plan(tmp_path: Path) -> None:
    folder = tmp_path / "plan"
    arguments = ["plan", "networks/island.yaml", "-o", str(folder), "--time-limit", "30"]
    with subprocess.Popen(
        [sys.executable, "-m", "allocator", *arguments, "--progress"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        cwd=ROOT,
        text=True,
    ) as process:
        assert process.stderr is not None
        for line in process.stderr:
            if "clean_power" in line:
                process.send_signal(signal.SIGINT)
                break
        out, err = process.communicate(timeout=120)
    assert "Traceback" not in err
    assert "stopped by hand" in " ".join(out.split())  # it may run over a line
    assert process.returncode in (0, 4)  # 4: the plan so far serves nothing
    assert (folder / "plan.json").exists()


@pytest.mark.skipif(shutil.which("bash") is None, reason="no bash")
def test_completion_in_bash(command: Command) -> None:
    script = command("completion", "bash").stdout
    ask = "COMP_WORDS=({words}); COMP_CWORD={at}; _shtab_allocator; echo ${{COMPREPLY[@]}}\n"
    asked = script + "".join(
        ask.format(words=words, at=at)
        for words, at in (
            ("allocator s", 1),
            ("allocator plan --basis ''", 3),
            ("allocator plan --t", 2),
            ("allocator completion z", 2),
        )
    )
    told = subprocess.run(["bash"], input=asked, capture_output=True, text=True, check=True)
    assert told.stdout.splitlines() == [
        "schedule simulate sources sweep schema",
        "firm mean",
        "--time-limit --threads",
        "zsh",
    ]
    assert told.stderr == ""


@pytest.mark.parametrize("shell", ["zsh", "fish"])
def test_completion_names_every_option(shell: str, command: Command) -> None:
    script = command("completion", shell).stdout
    for word in ("sources", "time-limit", "node-limit", "firm mean"):
        assert word in script
    if shutil.which(shell):
        checked = subprocess.run([shell, "-n"], input=script, text=True, check=False)
        assert checked.returncode == 0


def test_an_unknown_shell_is_bad_input(command: Command) -> None:
    told = command("completion", "cmd")
    assert told.returncode == 2
    assert "invalid choice: 'cmd'" in told.stderr


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no full device here")
@pytest.mark.parametrize(
    "arguments", ["check networks/first.yaml", "schema", "--help", "sources networks/first.yaml"]
)
@pytest.mark.parametrize("stdout", [">/dev/full", ">&-"])
def test_a_full_or_closed_stdout_is_bad_output(arguments: str, stdout: str) -> None:
    told = _in_a_shell(f"{arguments} {stdout}")
    assert told.returncode == 2
    assert "cannot write to standard output" in told.stderr
    assert len(told.stderr.splitlines()) == 1


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no full device here")
@pytest.mark.parametrize("stderr", ["2>/dev/full", "2>&-"])
def test_a_full_or_closed_stderr_changes_no_exit_code(stderr: str) -> None:
    assert _in_a_shell(f"check networks/none.yaml {stderr}").returncode == 2
    assert _in_a_shell(f"unknown {stderr}").returncode == 2
    assert _in_a_shell(f"check networks/first.yaml {stderr}").returncode == 0


def _in_a_shell(arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        f"exec {sys.executable} -m allocator {arguments}",
        shell=True,
        stderr=subprocess.PIPE,
        text=True,
        cwd=ROOT,
        check=False,
    )


def test_files_opened_later_do_not_take_the_place_of_a_closed_stream(tmp_path: Path) -> None:
    """A solver's note must not land in a file that was given the number of standard output."""
    picture = tmp_path / "map.svg"
    assert _in_a_shell(f"draw networks/first.yaml -o {picture} >&- 2>&- <&-").returncode == 2
    assert picture.read_text().rstrip().endswith("</svg>")


@pytest.mark.slow
def test_text_is_as_wide_as_the_terminal_says(command: Command) -> None:
    usual, narrow = (
        command("sources", "networks/harbour_capacities.yaml", COLUMNS=n) for n in ("100", "80")
    )
    assert 80 < max(map(len, usual.stdout.splitlines())) <= 100
    assert max(map(len, narrow.stdout.splitlines())) <= 80


def test_ctrl_c_while_the_program_is_loaded_is_one_line() -> None:
    code = (
        "import runpy, sys\n"
        "class Stopped:\n"
        "    def find_spec(self, name, *given):\n"
        "        if name == 'allocator.cli':\n"
        "            raise KeyboardInterrupt\n"
        "sys.meta_path.insert(0, Stopped())\n"
        "runpy.run_module('allocator', run_name='__main__')\n"
    )
    told = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=False
    )
    assert told.returncode == 130
    assert told.stderr == "interrupted; no file was left half written\n"
    assert told.stdout == ""
