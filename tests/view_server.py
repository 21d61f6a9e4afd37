"""``allocator view`` running in a process of its own, and a client that is no browser."""

from __future__ import annotations

import http.client
import json
import os
import signal
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[1]


@dataclass
class Served:
    """A view that runs: its folder, its process, where it listens, and its token."""

    folder: Path
    process: subprocess.Popen[str]
    port: int
    token: str

    @property
    def origin(self) -> str:
        """Of its page."""
        return f"http://127.0.0.1:{self.port}"

    def ask(
        self, path: str, data: object = None, *, raw: str | None = None, **headers: str
    ) -> tuple[int, bytes, dict[str, str]]:
        """Status, content and headers; data is posted. ``raw``: the whole path, as it is sent."""
        given = {name.replace("_", "-"): value for name, value in headers.items()}
        talk = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        body = data if isinstance(data, bytes) else json.dumps(data).encode()
        if data is not None:
            given.setdefault("Origin", self.origin)
        where = f"/{self.token}/{path}" if raw is None else raw
        talk.request(
            "GET" if data is None else "POST", where, None if data is None else body, given
        )
        answer = talk.getresponse()
        content = answer.read()
        talk.close()
        return answer.status, content, dict(answer.getheaders())

    def json(self, path: str, data: object = None) -> Any:
        """The answer as JSON; it must be one of success."""
        status, content, _ = self.ask(path, data)
        assert status == 200, content
        return json.loads(content)

    def until(self, *states: str, seconds: float = 120.0) -> dict[str, Any]:
        """The run once it is in one of some states."""
        ends, seen = time.monotonic() + seconds, ""
        while time.monotonic() < ends:
            state = self.json(f"state{seen}")
            if state["run"] and state["run"]["state"] in states:
                return dict(state["run"])
            seen = f"?seen={state['version']}"
        raise AssertionError(f"not {states} in {seconds} s: {state}")

    def children(self) -> set[int]:
        """Processes that it began, and theirs."""
        found, last = {self.process.pid}, 0
        while len(found) > last:
            last = len(found)
            for entry in Path("/proc").iterdir():
                if entry.name.isdecimal() and _parent(entry) in found:
                    found.add(int(entry.name))
        return found - {self.process.pid}

    def waits(self, seconds: float = 60.0) -> bool:
        """Whether within some seconds one process is there, the one that waits for an order."""
        ends = time.monotonic() + seconds
        while len(self.children()) != 1:
            if time.monotonic() > ends:
                return False
            time.sleep(0.05)
        return True


def _parent(entry: Path) -> int:
    try:
        state, parent = (entry / "stat").read_text().rpartition(")")[2].split()[:2]
    except OSError:
        return 0
    return 0 if state == "Z" else int(parent)


def gone(processes: set[int], seconds: float = 10.0) -> bool:
    """Whether processes end within some seconds."""
    ends = time.monotonic() + seconds
    while time.monotonic() < ends:
        if not any(_parent(Path(f"/proc/{one}")) for one in processes):
            return True
        time.sleep(0.05)
    return False


def serving(folder: Path, *arguments: str) -> Served:
    """Begin a view of a folder or a site file."""
    process = subprocess.Popen(
        [sys.executable, "-m", "allocator", "view", str(folder), *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert process.stdout is not None
    line = process.stdout.readline()
    address = line.rpartition("http://127.0.0.1:")[2].strip()
    if not address:
        process.kill()
        raise AssertionError(process.stderr and process.stderr.read())
    port, _, token = address.partition("/")
    served = Served(folder, process, int(port), token.strip("/"))
    ends = time.monotonic() + 60
    while time.monotonic() < ends:
        try:
            served.json("state")
            return served
        except ConnectionError:
            time.sleep(0.05)
    raise AssertionError("it does not answer")


def end(served: Served) -> int:
    """End a view as Ctrl-C does; its exit code."""
    served.process.send_signal(signal.SIGINT)
    return served.process.wait(30)
