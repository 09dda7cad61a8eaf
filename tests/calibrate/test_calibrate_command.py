"""``homeleg calibrate`` on a short simulated flight: says, doubts, and writes only when asked."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import pytest
from click.testing import CliRunner

from sim.framefile import FrameFile
from sim.headless import Sortie, fly
from sim.scenario import read_scenario
from supervisor.cli.calibrate import command
from supervisor.errors import InputError
from supervisor.flightfile import parse_flight
from supervisor.learned import load_aircraft, load_pack

EXAMPLE = Path(__file__).parents[2] / "deploy" / "ci-example"


@pytest.fixture(scope="module")
def flights(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    folder = tmp_path_factory.mktemp("flights")
    for seed in (3, 4):
        sortie = Sortie(read_scenario(EXAMPLE / "scenario.toml"), seed)
        with FrameFile(folder / f"{seed}.mcap", sortie.metadata()) as file:
            fly(sortie, lambda _, frames: [file.write(*f) for f in frames] and None)
    return sorted(folder.glob("*.mcap"))


def run(*words: object) -> str:
    result = CliRunner().invoke(command, [str(w) for w in words], standalone_mode=False)
    if result.exception is not None:
        raise result.exception
    return result.output


def test_nothing_is_written_unless_asked(flights: list[Path], tmp_path: Path) -> None:
    before = {p: p.read_bytes() for p in flights}
    told = json.loads(run(*flights, "--json"))
    assert told["flights"] == 2
    assert list(tmp_path.iterdir()) == []
    assert before == {p: p.read_bytes() for p in sorted(flights[0].parent.iterdir())}
    doubts = {f["name"]: f["doubt"] for f in told["figures"]}
    assert "never flew level slower than" in doubts["k"]
    assert "never used more than" in doubts["pack capacity"]
    assert doubts["hover power"] == ""


def test_text_page_section_and_lessons(flights: list[Path], tmp_path: Path) -> None:
    text = run(
        *flights, "--html", tmp_path / "c.html", "--write", tmp_path / "new.toml", "--learn",
        tmp_path / "kept",
    )  # fmt: skip
    assert "Not determined by these flights" in text
    why = "leans on the flight file's figure (within 2 %) and tells one sigma; here all readings"
    assert why in " ".join(text.split())  # why no debrief's capacity need be this one
    assert "leans on the flight file&#39;s figure" in (tmp_path / "c.html").read_text()
    assert (tmp_path / "c.html").read_text().count("<svg") == 3
    kept = load_pack(tmp_path / "kept", "P07")
    assert kept is not None
    assert len(kept.logbook) == 2
    assert load_aircraft(tmp_path / "kept", "heron-1") is not None


def test_the_new_section_fits_into_the_flight_file(flights: list[Path], tmp_path: Path) -> None:
    run(*flights, "--write", tmp_path / "new.toml")
    new = tomllib.loads((tmp_path / "new.toml").read_text())
    old = (EXAMPLE / "flight.toml").read_text(encoding="utf-8")
    power = new["aircraft"]["measured_hover"]["power_w"]
    assert 1350 < power < 1750
    assert "capacity_ah" not in new["pack"]  # not determined, so not written
    changed = old.replace("power_w = 1560.0", f"power_w = {power}")
    assert changed != old
    before, after = parse_flight(old, "old"), parse_flight(changed, "new")
    ratio = before.aircraft.hover_efficiency / after.aircraft.hover_efficiency
    assert ratio == pytest.approx((power - 25.0) / (1560.0 - 25.0), rel=1e-6)


def test_a_recording_without_a_flight_is_refused(flights: list[Path], tmp_path: Path) -> None:
    cut = tmp_path / "cut.mcap"
    cut.write_bytes(flights[0].read_bytes()[:2000])
    with pytest.raises(InputError, match="no flight"):
        run(cut, "--flight", EXAMPLE / "flight.toml")
