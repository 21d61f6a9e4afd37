"""A campaign of faults: nothing lost, nothing mixed, no traceback.

* every command that writes, killed (SIGKILL) before each of its file operations in turn: its
  folder is the old or the new set, what the user keeps in it stays, and the next run removes what
  is left behind;
* the same commands with a full disk at each file operation in turn;
* a plan, a comparison, a sweep, a frontier, a simulation and a report that get a signal at a random
  moment;
* damaged site files and plan files: an exit code of 0, 1 or 2 and words, no traceback, at most 10 s
  and 1 GB each;
* two runs into one folder; a clock that is set back.

Run: ``python benchmarks/faults.py [--only PART ...] [--files N] [--signals N]``. Prints counts, and
each command on stderr as it is done; any fault ends it. All parts take two hours of one core.
"""

from __future__ import annotations

import argparse
import contextlib
import errno
import io
import json
import os
import random
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT / "tests"))

from crashing import fails_at, killed_at  # noqa: E402
from damaged_plans import damaged  # noqa: E402

from allocator.base.folders import MANIFEST, mixed_files  # noqa: E402
from allocator.cli.entry import main as allocator  # noqa: E402

NOTE = "kept by the user\n"
SITE = (ROOT / "networks" / "first.yaml").read_text(encoding="utf-8")
LONGEST, LARGEST = 10.0, 1.0e9
"""s and bytes for one damaged file."""


class Files:
    """A folder with two sites and a plan of the first, to work in."""

    def __init__(self, home: Path) -> None:
        self.home = home
        self.old, self.new = home / "old.yaml", home / "new.yaml"
        self.old.write_text(SITE, encoding="utf-8")
        ranged = SITE.replace("flow: 12 g/s", "flow: {low: 10 g/s, high: 14 g/s}")
        self.new.write_text(ranged.replace("stock: 1060 kg", "stock: 1040 kg"), encoding="utf-8")
        for site in (self.old, self.new):
            _run("plan", site, "-o", home / f"{site.stem}_plan", "--node-limit", "50")

    def commands(self, site: Path, out: Path) -> dict[str, list[str]]:
        """The commands that write, for a site."""
        plan = self.home / f"{site.stem}_plan"
        brief = ["--node-limit", "20"]
        days = ["--days", "2", "--phases", "1", "--foresight", "0"]
        cases = ["--grid", "stock.steel=900kg,1t", "--workers", "1"]
        found: dict[str, list[object]] = {
            "plan": ["plan", site, "-o", out, *brief, "--prove", "0"],
            "compare": ["compare", site, "-o", out, *brief],
            "frontier": [
                "frontier",
                site,
                "--give",
                "stock.steel",
                "--steps",
                "2",
                "-o",
                out,
                *brief,
            ],
            "sweep": ["sweep", site, "-o", out, *cases, *brief],
            "simulate": ["simulate", site, plan, "-o", out, *days],
            "report": ["report", site, plan, "-o", out / "page.html"],
            "draw": ["draw", site, "-o", out / "map.svg"],
            "sources": ["sources", site, "-o", out / "sources.csv"],
        }
        return {name: list(map(str, words)) for name, words in found.items()}


def _run(*words: object) -> None:
    code = subprocess.run(
        [sys.executable, "-m", "allocator", *map(str, words)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert code.returncode == 0, code.stderr


def _quietly(words: list[str]) -> int:
    """A command in this process; its exit code. A traceback is an exception here."""
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        return allocator(words)


def _hidden(path: Path) -> bool:
    """Whether it is in a folder of a run that was killed, which the next run removes."""
    return path.parts[0].startswith(".allocator-")


def _held(folder: Path) -> dict[str, bytes]:
    """What a folder holds, without what differs from run to run and what killed runs left."""
    skipped = {"run.json", "cases.sqlite", "cases.sqlite-wal", "cases.sqlite-shm"}
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file() and path.name not in skipped and not _hidden(path.relative_to(folder))
    }


def interrupted_at_every_operation(
    files: Files, stop: Callable[[int, Callable[[], object]], bool], names: list[str]
) -> dict[str, int]:
    """Each command with each of its file operations stopped: how many there were."""
    counts = {}
    for name in names or files.commands(files.new, files.home):
        number, stopped = 0, True
        results = {}
        for which, site in (("old", files.old), ("new", files.new)):
            out = files.home / f"result_{which}"
            shutil.rmtree(out, ignore_errors=True)
            out.mkdir()
            _run(*files.commands(site, out)[name])
            results[which] = _held(out)
        before = files.home / "before"
        shutil.rmtree(before, ignore_errors=True)
        shutil.copytree(files.home / "result_old", before, symlinks=True)
        if name == "sweep":  # another site's cases are refused, so it begins from none
            shutil.rmtree(before)
            before.mkdir()
            results["old"] = {}
        while stopped:
            home = files.home / "work"
            shutil.rmtree(home, ignore_errors=True)
            home.mkdir()
            out = home / "out"
            shutil.copytree(before, out, symlinks=True)
            (out / "notes.txt").write_text(NOTE)
            words = files.commands(files.new, out)[name]
            stopped = stop(number, lambda words=words: _quietly(words))
            held = _held(out)
            assert held.pop("notes.txt") == NOTE.encode(), (name, number)
            assert held in (results["old"], results["new"]), (name, number, sorted(held))
            assert mixed_files(out) == [], (name, number)
            if number % 10 == 0 or not stopped:
                _run(*words)
                held = _held(out)
                del held["notes.txt"]
                assert held == results["new"], (name, number)
                left = [p.name for f in (home, out) for p in f.glob(".*")]
                assert left == [], (name, number, left)
            number += 1
        counts[name] = number
        print(name, number, file=sys.stderr, flush=True)
    return counts


def signals(files: Files, count: int) -> int:
    """Commands that get a signal at a random moment; how many were still running."""
    draw, heard = random.Random(7), 0
    names = ("plan", "compare", "sweep", "frontier", "simulate", "report")
    for turn in range(count):
        home = files.home / "signals"
        shutil.rmtree(home, ignore_errors=True)
        home.mkdir()
        out = home / "out"
        words = files.commands(files.new, out)[names[turn % len(names)]]
        sent = (signal.SIGINT, signal.SIGTERM, signal.SIGKILL)[draw.randrange(3)]
        with subprocess.Popen(
            [sys.executable, "-m", "allocator", *words],
            cwd=ROOT,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
        ) as process:
            time.sleep(draw.uniform(0.05, 4.0))
            heard += process.poll() is None
            process.send_signal(sent)
            _, err = process.communicate(timeout=120)
        # before the first line of the program Python itself may be stopped, with its own words
        assert "Traceback" not in err or f"{ROOT / 'allocator'}{os.sep}" not in err, err
        assert not out.exists() or mixed_files(out) == [], words
        if out.exists() and names[turn % len(names)] not in ("sweep", "report"):
            assert (out / MANIFEST).exists(), words
    return heard


def damaged_sites(count: int) -> dict[int, int]:
    """Sites damaged in their lines and values: exit codes of ``check``, and how often each."""
    draw, codes = random.Random(11), dict[int, int]()
    texts = [path.read_text("utf-8") for path in sorted((ROOT / "networks").glob("*.yaml"))]
    odd = [
        "",
        "nan",
        "-1",
        "1e999",
        "1e9999999999 g/s",
        "../../x",
        "[",
        "{",
        "*a",
        "&a",
        "\t",
        "!x",
    ]
    odd += ["0", "~", "'", '"', "99 kW", "no", "\x00", "=1+1", "7 degC", "- ", ": ", "<<: *x", "é"]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "site.yaml"
        for _ in range(count):
            lines = draw.choice(texts).splitlines()
            for _ in range(draw.choice((1, 1, 1, 2, 5))):
                at = draw.randrange(len(lines))
                kind = draw.randrange(5)
                if kind == 0:
                    del lines[at]
                elif kind == 1:
                    lines.insert(at, lines[draw.randrange(len(lines))])
                elif kind == 2:
                    head, colon, _ = lines[at].partition(":")
                    lines[at] = f"{head}{colon} {draw.choice(odd)}"
                elif kind == 3:
                    cut = draw.randrange(len(lines[at]) + 1)
                    lines[at] = lines[at][:cut] + draw.choice(odd) + lines[at][cut:]
                else:
                    words = lines[at].split(" ")
                    draw.shuffle(words)
                    lines[at] = " ".join(words)
            path.write_text("\n".join(lines), encoding="utf-8", errors="surrogatepass")
            code = _timed(["check", str(path)])
            codes[code] = codes.get(code, 0) + 1
    assert set(codes) <= {0, 2}, codes
    return codes


def damaged_plans(files: Files, count: int) -> dict[int, int]:
    """Plans damaged at random: exit codes of ``audit``, ``report`` and ``simulate`` in turn."""
    draw, codes = random.Random(13), dict[int, int]()
    data = json.loads((files.home / "old_plan" / "plan.json").read_text("utf-8"))
    path = files.home / "damaged.json"
    for turn in range(count):
        text = damaged(data, draw).text
        path.write_text(text, encoding="utf-8", errors="surrogatepass")
        words = {
            0: ["audit", str(files.old), str(path)],
            1: ["report", str(files.old), str(path), "-o", str(files.home / "damaged.html")],
            2: [
                *("simulate", str(files.old), str(path), "-o", str(files.home / "damaged")),
                *("--days", "1", "--phases", "1", "--foresight", "0"),
            ],
        }[turn % 3]
        code = _timed(words)
        codes[code] = codes.get(code, 0) + 1
    assert set(codes) <= {0, 1, 2}, codes
    return codes


def _timed(words: list[str]) -> int:
    began = time.perf_counter()
    code = _quietly(words)
    assert time.perf_counter() - began <= LONGEST, words
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 <= LARGEST, words
    return code


def two_runs(files: Files, count: int) -> int:
    """A plan and a comparison into one folder at once: each leaves its own files whole."""
    for turn in range(count):
        out = files.home / f"both_{turn}"
        words = files.commands(files.new, out)
        running = [
            subprocess.Popen(
                [sys.executable, "-m", "allocator", *words[name]],
                cwd=ROOT,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
            )
            for name in ("plan", "compare")
        ]
        assert [process.wait(300) for process in running] == [0, 0]
        assert mixed_files(out) == []
        assert (out / "plan.json").exists()
        assert (out / "comparison.json").exists()
    return count


def clock_set_back(files: Files) -> int:
    """The wall clock runs backwards: nothing depends on it."""
    program = (
        "import itertools, sys, time\n"
        "ticks = itertools.count()\n"
        "time.time = lambda: 2e9 - 3600.0 * next(ticks)\n"
        "from allocator.cli.entry import main\n"
        "sys.exit(main(sys.argv[1:]))\n"
    )
    words = files.commands(files.new, files.home / "set_back")["plan"]
    told = subprocess.run(
        [sys.executable, "-c", program, *words], cwd=ROOT, capture_output=True, check=False
    )
    assert told.returncode == 0, told.stderr
    assert mixed_files(files.home / "set_back") == []
    return 1


def full_at(number: int, work: Callable[[], object]) -> bool:
    """Whether the disk was full at a file operation of ``work``, before its end."""
    return fails_at(number, work, OSError(errno.ENOSPC, os.strerror(errno.ENOSPC)))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--files", type=int, default=10_000, help="damaged files of each kind")
    parser.add_argument("--signals", type=int, default=200)
    parser.add_argument("--only", nargs="*", default=[], metavar="PART", help="as it is printed")
    parser.add_argument(
        "--commands", nargs="*", default=[], metavar="NAME", help="stopped in these"
    )
    given = parser.parse_args()
    only = set(given.only)
    with tempfile.TemporaryDirectory() as folder:
        files = Files(Path(folder))
        parts: dict[str, Callable[[], object]] = {
            "killed_at_operation": lambda: interrupted_at_every_operation(
                files, killed_at, given.commands
            ),
            "disk_full_at_operation": lambda: interrupted_at_every_operation(
                files, full_at, given.commands
            ),
            "signals_while_running": lambda: signals(files, given.signals),
            "damaged_sites_by_exit_code": lambda: damaged_sites(given.files),
            "damaged_plans_by_exit_code": lambda: damaged_plans(files, given.files),
            "two_runs_into_one_folder": lambda: two_runs(files, 5),
            "clock_set_back": lambda: clock_set_back(files),
        }
        counts = {name: part() for name, part in parts.items() if not only or name in only}
    counts["lost_or_mixed"] = 0  # each of the above asserts it
    print(json.dumps(counts, indent=2))


if __name__ == "__main__":
    main()
