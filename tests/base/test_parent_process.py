"""Workers end with the process that started them, also when it is killed."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

PROGRAM = """
import os, time
from allocator.studies.running import StudyCase, Workers, run_cases

if __name__ == "__main__":
    cases = [StudyCase(str(number), (600.0,)) for number in range(2)]
    run_cases(time.sleep, cases, Workers(count=2))
"""


def children_of(parent: int) -> set[int]:
    """Processes below another, from their records under /proc."""
    found = set()
    for folder in Path("/proc").iterdir():
        try:
            fields = (folder / "stat").read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if folder.name.isdigit() and int(fields[1]) == parent and fields[0] != "Z":
            found.add(int(folder.name))
    return found


def alive(process: int) -> bool:
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="processes are looked up in /proc")
@pytest.mark.parametrize("ending", [signal.SIGKILL, signal.SIGTERM])
def test_workers_of_a_study_end_with_it(tmp_path: Path, ending: signal.Signals) -> None:
    script = tmp_path / "study.py"
    script.write_text(PROGRAM)
    with subprocess.Popen([sys.executable, str(script)], env=dict(os.environ)) as study:
        until = time.monotonic() + 60.0
        while len(children := children_of(study.pid)) < 3 and time.monotonic() < until:
            time.sleep(0.1)  # two workers, and what keeps track of what they share
        assert len(children) >= 3
        time.sleep(2.0)
        study.send_signal(ending)
        study.wait(30)
    until = time.monotonic() + 30.0
    while any(alive(child) for child in children) and time.monotonic() < until:
        time.sleep(0.1)
    assert not any(alive(child) for child in children)
