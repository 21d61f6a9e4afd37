"""The server of a page: whom it answers, what it does, and what is left when it ends."""

from __future__ import annotations

import asyncio
import json
import os
import resource
import shutil
import signal
import socket
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from view_server import ROOT, Served, end, gone, serving

import allocator as al
from allocator.cli.entry import main
from allocator.view.desk import Desk
from allocator.view.opening import opened
from allocator.view.server import MOST_BYTES, application


def files(folder: Path) -> set[str]:
    """All files below a folder's parent."""
    return {str(path) for path in folder.parent.rglob("*")}


def test_without_the_token_everything_is_refused(served: Served) -> None:
    wrong = "x" * len(served.token)
    paths = ("/", "/state", "/view.js", f"/{wrong}/", f"/{wrong}/state", f"/{served.token[:-1]}/")
    for path in (*paths, "/%C3%A9/", "/%00/"):
        assert served.ask("", raw=path)[0] == 403, path


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://127.0.0.1:1"},
        {"Origin": "https://somewhere.example"},
        {"Origin": "null"},
        {"Host": "somewhere.example"},
        {"Host": "127.0.0.1"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
def test_another_origin_or_host_is_refused(served: Served, headers: dict[str, str]) -> None:
    assert served.ask("state", **headers)[0] == 403
    assert served.ask("plan", {}, **headers)[0] == 403
    assert served.json("state")["run"] is None


def test_a_change_without_an_origin_is_refused(served: Served) -> None:
    with socket.create_connection(("127.0.0.1", served.port), 10) as talk:
        head = f"POST /{served.token}/plan HTTP/1.1\r\nHost: 127.0.0.1:{served.port}\r\n"
        talk.sendall(f"{head}Content-Length: 2\r\nConnection: close\r\n\r\n{{}}".encode())
        assert talk.recv(12) == b"HTTP/1.1 403"


def test_no_path_leads_to_a_file(served: Served) -> None:
    for way in (
        "../../plan.json",
        "..%2f..%2fplan.json",
        "plans/../../../etc/passwd",
        "plans/%2e%2e/%2e%2e/etc/passwd",
        "plan.json",
        "plans/etc",
        "view.html",
    ):
        assert served.ask(way)[0] in (403, 404), way


def test_it_listens_on_loopback_alone(served: Served) -> None:
    listens = Path("/proc/net/tcp").read_text() + Path("/proc/net/tcp6").read_text()
    ours = [line.split()[1] for line in listens.splitlines() if f":{served.port:04X} " in line]
    assert {one.partition(":")[0] for one in ours if one.endswith(f"{served.port:04X}")} == {
        "0100007F"
    }


def test_every_answer_says_what_a_page_may_do(served: Served) -> None:
    for path in ("", "view.js", "view.css", "state", "controls", "plans/present", "none"):
        _, _, headers = served.ask(path)
        found = {name.lower(): value for name, value in headers.items()}
        policy = found["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "sandbox allow-scripts" in policy or "unsafe" not in policy
        assert found["referrer-policy"] == "same-origin"
        assert found["cache-control"] == "no-store"


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"{", "no JSON"),
        (b"[" * 100_000, "no JSON"),
        ([], "no list of changes"),
        ({"folder": "/tmp"}, "no list of changes"),
        ({"values": {"stock.steel": "many"}}, "stock.steel: expects a mass"),
        ({"values": {"stock.steel": "3 kW"}}, "stock.steel: expects a mass"),
        ({"values": {"stock.steel": "1.2"}}, "1.2 has no unit; write the unit, such as '1.2 t'"),
        ({"values": {"stock.steel": "0"}}, "0 has no unit; write the unit, such as '0 t'"),
        (
            {"sources": {"digester": {"next_start": "7", "clock": "free"}}},
            "next_start: 7 has no unit; write it such as '7 d'",
        ),
        ({"values": {"demands.mill_drive.power": "0 kW"}}, "must be above 0"),
        ({"values": {"stock.gold": "1 kg"}}, "'stock.gold' cannot be changed"),
        ({"units": {"small_engine@mill": -1}}, "whole number"),
        ({"units": {"small_engine@farm": 1}}, "cannot be changed"),
        ({"sources": {"digester": {"flow": "lost"}}}, "all sources are lost"),
        ({"sources": {"digester": {"flow": "low"}}}, "no flow 'low'"),
        ({"sources": {"other": {"flow": "lost"}}}, "not in the site file"),
        ({"sources": {"digester": {"next_start": "soon"}}}, "next_start: expects"),
        ({"lose": 1000}, "whole number from 0 to 99"),
        ({"keep_weight": 1}, "from 0 up to 1"),
        (b"x" * (MOST_BYTES + 1), "larger than 256 kB"),
    ],
)
def test_changes_that_cannot_be_are_told(served: Served, data: object, words: str) -> None:
    before = files(served.folder)
    status, content, _ = served.ask("plan", data)
    assert status == 400
    assert words in " ".join(json.loads(content)["faults"])
    assert served.json("state")["run"] is None
    assert files(served.folder) == before


def test_faults_that_the_site_has_only_as_a_whole_are_told(served: Served) -> None:
    served.json("plan", {"sources": {"digester": {"clock": "surveyed"}}})
    assert "next_start" in " ".join(served.until("failed")["faults"])
    served.json("discard", {})


@pytest.mark.slow
def test_a_changed_demand_is_planned_compared_and_accepted(
    served: Served, capsys: pytest.CaptureFixture[str]
) -> None:
    """8 kW of demand need one engine of 10 kW."""
    before = files(served.folder)
    assert served.ask("accept", {})[0] == 400
    served.json("plan", {"values": {"demands.mill_drive.power": "8 kW"}})
    run = served.until("done")
    assert run["changes"] == ["demands.mill_drive.power 8 kW"]
    figures, changed, costs = run["compared"]["tables"]
    rows = {row[0]: row[2:] for row in figures["rows"]}
    assert rows["firm clean power"] == ["13.4", "8", "-5.37"]
    assert ["generator", "small_engine", "mill", "changed", "2 units", "1 unit"] in changed["rows"]
    assert {row[0] for row in costs["rows"]} == {"small_engine", "gas_holder"}
    assert run["lines"]
    page = served.ask("plans/new")[1].decode()
    assert ">8 kW<" in page
    assert '"end":31536000' in page  # a year for the time slider
    assert files(served.folder) == before

    assert served.json("accept", {})["folder"] == "accepted-1"
    folder = served.folder / "accepted-1"
    assert {path for path in files(served.folder) - before if not path.startswith(str(folder))} == (
        set()
    )
    assert main(["audit", str(folder / "site.yaml"), str(folder)]) == 0
    assert served.json("controls")["values"][1]["value"] == "8 kW"
    state = served.json("state")
    assert (state["run"], state["accepted"]) == (None, "accepted-1")
    assert main(["diff", str(served.folder), str(folder)]) == 0
    capsys.readouterr()


@pytest.mark.slow
def test_an_accept_that_cannot_be_is_told_and_writes_nothing(planned: Path, tmp_path: Path) -> None:
    """The disk is full, the folder is gone, another window has planned again."""
    folder = tmp_path / "plan"
    shutil.copytree(planned, folder, ignore=shutil.ignore_patterns("accepted-*"))
    served = serving(folder, "--node-limit", "50", "--site", "networks/first.yaml")

    def refused(data: object) -> str:
        status, content, _ = served.ask("accept", data)
        assert status in (400, 500)
        return " ".join(json.loads(content)["faults"])

    try:
        served.json("plan", {"values": {"demands.mill_drive.power": "8 kW"}})
        first = served.until("done")["number"]
        served.json("plan", {"values": {"demands.mill_drive.power": "9 kW"}})
        second = served.until("done")["number"]
        before = files(folder)
        assert "planned again since, in another window" in refused({"run": first})
        assert "no JSON" in refused(b"{")
        whole = resource.prlimit(served.process.pid, resource.RLIMIT_FSIZE)
        resource.prlimit(served.process.pid, resource.RLIMIT_FSIZE, (1000, whole[1]))
        assert "accepted-1: file too large" in refused({"run": second})
        resource.prlimit(served.process.pid, resource.RLIMIT_FSIZE, whole)
        assert files(folder) == before
        shutil.move(folder, tmp_path / "moved")
        folder.write_text("a file in its place")
        assert "cannot be made a folder" in refused({})
        folder.unlink()
        shutil.move(tmp_path / "moved", folder)
        (folder / "accepted-1").write_text("of the user")
        assert served.json("accept", {"run": second})["folder"] == "accepted-2"
    finally:
        end(served)


def test_an_error_of_the_program_is_told_without_its_traceback(
    planned: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk = Desk(opened(planned, ROOT / "networks" / "first.yaml"), al.Settings(node_limit=50))

    async def accept(_: object) -> str:
        raise TypeError("'NoneType' object is not subscriptable")

    monkeypatch.setattr(desk, "accept", accept)
    sent: list[Any] = []

    async def receive() -> dict[str, Any]:
        return {"type": "http.request", "body": b"{}"}

    async def send(message: Any) -> None:
        sent.append(message)

    headers = [(b"host", b"localhost:80"), (b"origin", b"http://localhost:80")]
    scope = {"type": "http", "method": "POST", "path": "/token/accept", "headers": headers}
    scope |= {"query_string": b"", "scheme": "http", "server": ("localhost", 80)}
    # in a thread of its own: a browser of other tests may have an event loop in this one
    with ThreadPoolExecutor(1) as pool, pytest.raises(TypeError):  # the server hears of it as well
        pool.submit(asyncio.run, application(desk, "token", 80)(scope, receive, send)).result()
    assert sent[0]["status"] == 500
    first, then = json.loads(sent[1]["body"])["faults"]
    assert first.startswith("an error in the program: TypeError: 'NoneType' object")
    assert "are as they were" in then


def test_no_plan_at_all_is_told_with_what_helps(served: Served) -> None:
    served.json("plan", {"values": {"stock.steel": "1 kg"}, "units": {"small_engine@mill": 0}})
    run = served.until("failed", "done")
    assert run["state"] == "failed" or run["made"]
    served.json("discard", {})


@pytest.mark.slow
def test_a_process_that_dies_is_told_and_the_next_one_plans(served: Served) -> None:
    served.json("plan", {"values": {"stock.steel": "1050 kg"}})
    for child in served.children():
        os.kill(child, signal.SIGKILL)
    run = served.until("failed")
    assert "The planning process died" in run["faults"][0]
    served.json("plan", {"values": {"stock.steel": "1050 kg"}})
    assert served.until("done")["made"]
    served.json("discard", {})


@pytest.mark.slow
def test_a_stopped_run_leaves_no_process_and_no_file_nor_does_a_kill(planned: Path) -> None:
    served = serving(planned, "--time-limit", "60", "--site", "networks/first.yaml")
    try:
        before = files(planned)
        while not served.json("state")["notes"]:  # the year is not over
            time.sleep(0.05)
        assert served.waits()
        waiting = served.children()
        served.json("plan", {"values": {"stock.steel": "1050 kg"}})
        served.json("stop", {})
        assert served.json("state")["run"]["state"] == "stopped"
        assert gone(waiting)  # the one that waited took the order
        assert served.waits()  # the next one
        assert files(planned) == before
    finally:
        children = served.children()
        served.process.kill()
        served.process.wait(10)
    assert children
    assert gone(children)
