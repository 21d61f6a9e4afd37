"""``report`` and ``draw``: what they write, and their exit codes."""

from __future__ import annotations

import sys
from pathlib import Path
from xml.etree import ElementTree

import pytest

from allocator.cli.entry import main

Told = pytest.CaptureFixture[str]


def test_report_writes_the_page(
    networks: Path, planned: Path, tmp_path: Path, capsys: Told
) -> None:
    site, page = str(networks / "first.yaml"), tmp_path / "page.html"
    assert main(["report", site, str(planned), "-o", str(page)]) == 0
    assert capsys.readouterr().out == f"Page: {page}\n"
    text = page.read_text(encoding="utf-8")
    assert "13.4 kW" in text
    assert "over time" in text  # the search, from run.json beside the plan
    plain = (planned / "page.html").read_text(encoding="utf-8")
    assert "over time" not in plain  # the plan's own page says what the plan says, no more


def test_report_with_a_simulation(
    networks: Path, planned: Path, tmp_path: Path, capsys: Told
) -> None:
    site, folder = str(networks / "first.yaml"), tmp_path / "simulation"
    quick = ["--days", "20", "--phases", "1", "--foresight", "0"]
    assert main(["simulate", site, str(planned), "-o", str(folder), *quick]) == 0
    page = tmp_path / "page.html"
    crew = ["--crew", "100 kg/d"]
    assert main(["report", site, str(planned), str(folder), "-o", str(page), *crew]) == 0
    text = page.read_text(encoding="utf-8")
    assert "the first draw of the simulation" in text
    assert "simulated: firm output kept" in text
    assert "surplus use permitted only above" in text  # a reserve among the set-points
    assert "gas_holder@mill" in text
    assert "done after" in text


@pytest.mark.slow
def test_report_with_studies(networks: Path, planned: Path, tmp_path: Path, capsys: Told) -> None:
    site, page = str(networks / "first.yaml"), tmp_path / "page.html"
    mixes, curve = str(tmp_path / "mixes"), str(tmp_path / "curve")
    assert main(["compare", site, "-o", mixes, "--node-limit", "200"]) == 0
    limits = ["--steps", "4", "--node-limit", "200"]
    assert main(["frontier", site, "--give", "stock.steel", "-o", curve, *limits]) == 0
    sweep = str(tmp_path / "sweep")
    varied = ["--grid", "sources.digester.flow=10 g/s,12 g/s", "--plan", str(planned)]
    assert main(["sweep", site, *varied, "-o", sweep, "--node-limit", "200"]) == 0
    studies = ["--mixes", mixes, "--frontier", curve, "--sweep", sweep]
    assert main(["report", site, str(planned), "-o", str(page), *studies]) == 0
    text = page.read_text(encoding="utf-8")
    assert "Supply mixes side by side" in text
    assert 'id="tab-sweep-1"' in text
    assert "sources.digester.flow 10 g/s" in text[text.index('id="sweep-1"') :]
    assert "Firm clean power against stock.steel" in text
    assert "The diamond is this plan: 1.06 t for 13.4 kW" in text
    for folder, link in ((mixes, "clean_only"), (curve, "point_01")):
        own = (Path(folder) / "page.html").read_text(encoding="utf-8")
        assert f'href="{link}/page.html"' in own
        assert (Path(folder) / link / "page.html").exists()
    capsys.readouterr()
    page.write_text("old")
    (tmp_path / "mixes" / "comparison.json").write_text("{")
    assert main(["report", site, str(planned), "-o", str(page), *studies]) == 2
    err = capsys.readouterr().err
    assert "comparison.json: is not whole JSON; run 'compare' again" in err
    assert len(err.splitlines()) == 1
    assert main(["report", site, str(planned), "-o", str(page), "--frontier", mixes]) == 2
    assert "frontier.json: cannot be opened" in capsys.readouterr().err
    assert page.read_text() == "old"


def test_report_of_what_does_not_belong_together(
    networks: Path, planned: Path, tmp_path: Path, capsys: Told
) -> None:
    page = tmp_path / "page.html"
    page.write_text("old")
    first, other = str(networks / "first.yaml"), str(networks / "island.yaml")
    for arguments, told in (
        (["report", other, str(planned), "-o", str(page)], "for another site"),
        (["report", first, str(tmp_path / "no"), "-o", str(page)], "cannot be opened"),
        (["report", first, str(planned), str(tmp_path), "-o", str(page)], "the simulation"),
        (["report", first, str(planned), "-o", str(tmp_path)], "is a directory"),
        (["report", first, str(planned), "-o", str(tmp_path / "x" / "y")], "does not exist"),
    ):
        assert main(arguments) == 2
        assert told in capsys.readouterr().err
    assert page.read_text() == "old"


def test_report_of_a_plan_with_names_that_the_site_does_not_have(
    networks: Path, planned: Path, tmp_path: Path, capsys: Told
) -> None:
    """As a plan has that was made when streams were named otherwise."""
    text = (planned / "plan.json").read_text(encoding="utf-8")
    assert '"lane"' in text
    other = tmp_path / "plan.json"
    other.write_text(text.replace('"lane"', '"alley"'), encoding="utf-8")
    site, page = str(networks / "first.yaml"), str(tmp_path / "page.html")
    assert main(["report", site, str(other), "-o", page]) == 2
    err = capsys.readouterr().err
    assert "plan.json: $.runs[0].route: there is no route 'alley'; " in err
    assert "plan again" in err
    assert len(err.splitlines()) == 1


def test_a_full_disk_keeps_the_old_page(
    networks: Path,
    planned: Path,
    tmp_path: Path,
    capsys: Told,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    page = tmp_path / "page.html"
    page.write_text("old")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("allocator.base.folders._write_through", full)
    site = str(networks / "first.yaml")
    assert main(["report", site, str(planned), "-o", str(page)]) == 2
    assert f"cannot write to {page}: no space left on device" in capsys.readouterr().err
    assert page.read_text() == "old"


@pytest.mark.parametrize("name", ["first", "harbour", "two_bays", "dry_valley"])
def test_draw_writes_well_formed_svg(networks: Path, name: str, tmp_path: Path) -> None:
    picture = tmp_path / "map.svg"
    assert main(["draw", str(networks / f"{name}.yaml"), "-o", str(picture)]) == 0
    root = ElementTree.parse(picture).getroot()
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    assert picture.read_bytes() == _again(networks / f"{name}.yaml", tmp_path)


def _again(site: Path, folder: Path) -> bytes:
    assert main(["draw", str(site), "-o", str(folder / "again.svg")]) == 0
    return (folder / "again.svg").read_bytes()


def test_draw_as_png(networks: Path, tmp_path: Path) -> None:
    pytest.importorskip("cairosvg", reason="the extra 'png' is not installed")
    picture = tmp_path / "map.png"
    assert main(["draw", str(networks / "harbour_capacities.yaml"), "-o", str(picture)]) == 0
    head = picture.read_bytes()[:24]
    assert head[:8] == b"\x89PNG\r\n\x1a\n"
    assert int.from_bytes(head[16:20], "big") == 2000  # IHDR: width (RFC 2083, 11.2.2)


def test_draw_refuses_what_it_cannot_do(
    networks: Path, tmp_path: Path, capsys: Told, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = str(networks / "first.yaml")
    assert main(["draw", site, "-o", str(tmp_path / "map.jpg")]) == 2
    assert "ends in .svg or .png" in capsys.readouterr().err
    monkeypatch.setitem(sys.modules, "cairosvg", None)
    assert main(["draw", site, "-o", str(tmp_path / "map.png")]) == 2
    assert "pip install 'allocator[png]'" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("crew", ["0 kg/d", "-1 kg/d", "800 kg", "fast"])
def test_a_crew_that_is_no_rate(networks: Path, tmp_path: Path, crew: str) -> None:
    with pytest.raises(SystemExit) as raised:
        main(["plan", str(networks / "first.yaml"), "-o", str(tmp_path / "p"), f"--crew={crew}"])
    assert raised.value.code == 2
