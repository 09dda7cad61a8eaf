"""Files, keys, disk, dates and the broker; the command's exit status."""

from __future__ import annotations

import datetime
import json
import subprocess
import sys
import time
from collections.abc import Iterable
from pathlib import Path

import pytest
from aboard import FLIGHT
from airframe import Airframe
from brokers import free_udp_port, plain
from patience import PATIENCE_S

from supervisor.daemonfile import BrokerSection, parse_daemon
from supervisor.doctor import files, machine
from supervisor.doctor.broker import broker
from supervisor.doctor.finding import Finding, Verdict
from supervisor.keys import Fleet, Wanted

NOW = datetime.datetime(2026, 11, 25, tzinfo=datetime.UTC)


def verdicts(found: Iterable[Finding]) -> dict[str, Verdict]:
    return {finding.check: finding.verdict for finding in found}


@pytest.fixture(scope="module")
def aircraft(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("fleet")
    Fleet(folder, now=NOW).make(Wanted(("localhost",), ("heron-1",), ("ann",)))
    return folder / "aircraft" / "heron-1"


def section(folder: Path) -> BrokerSection:
    return BrokerSection(
        address="mqtts://localhost:8883",
        ca=folder / "ca.pem",
        certificate=folder / "client.pem",
        key=folder / "client.key",
        signing_key=folder / "signing.pem",
        people=folder / "people.toml",
    )


@pytest.mark.parametrize(
    ("days", "verdict"),
    [(0, Verdict.GOOD), (800, Verdict.DOUBT), (900, Verdict.BAD), (-2, Verdict.BAD)],
)
def test_days_left_of_a_certificate_of_825_days(
    aircraft: Path, days: int, verdict: Verdict
) -> None:
    found = verdicts(
        files.certificates(section(aircraft), "heron-1", NOW + datetime.timedelta(days=days))
    )
    assert found["certificate client.pem"] is verdict


def test_another_aircraft_s_certificate_is_noticed(aircraft: Path) -> None:
    found = verdicts(files.certificates(section(aircraft), "heron-2", NOW))
    assert found["certificate name"] is Verdict.BAD


def test_keys_that_others_can_read_and_keys_that_are_none(aircraft: Path, tmp_path: Path) -> None:
    good = parse_daemon({"broker": section(aircraft).model_dump()}, "test")
    assert Verdict.BAD not in verdicts(files.daemon_file(good)).values()
    loose = tmp_path / "signing.pem"
    loose.write_bytes((aircraft / "signing.pem").read_bytes())
    loose.chmod(0o644)
    bad = parse_daemon(
        {"broker": section(aircraft).model_dump() | {"signing_key": loose, "people": loose}}, "test"
    )
    found = verdicts(files.daemon_file(bad))
    assert found["secret signing.pem"] is Verdict.DOUBT
    assert found["people"] is Verdict.BAD


@pytest.mark.parametrize(
    ("data", "check", "verdict"),
    [
        ({"clock": "telemetry"}, "clock", Verdict.BAD),
        ({"storage": {"record": False}}, "recording", Verdict.DOUBT),
        ({"broker": {"address": ""}}, "broker address", Verdict.DOUBT),
        ({"broker": {"address": "mqtt://shore.example"}}, "broker address", Verdict.DOUBT),
        ({"broker": {"address": "ftp://x"}}, "broker address", Verdict.BAD),
    ],
)
def test_settings_nobody_wants_in_flight(
    data: dict[str, object], check: str, verdict: Verdict
) -> None:
    assert verdicts(files.daemon_file(parse_daemon(data, "test")))[check] is verdict


def test_disk_space_and_a_folder_that_cannot_be_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert verdicts(machine.disk(tmp_path))["disk writing"] is not Verdict.BAD
    assert not list(tmp_path.iterdir())  # the trial leaves nothing behind
    (tmp_path / "file").write_text("")
    assert verdicts(machine.disk(tmp_path / "file"))["disk writing"] is Verdict.BAD
    monkeypatch.setattr(machine, "free_mb", lambda _folder: 20.0)
    assert verdicts(machine.disk(tmp_path))["disk space"] is Verdict.BAD


def test_dates_and_their_sources(tmp_path: Path) -> None:
    assert verdicts(machine.date(time.time() + 0.2))["date"] is Verdict.GOOD
    assert verdicts(machine.date(time.time() - 86_400.0))["date"] is Verdict.DOUBT
    assert list(machine.date(float("nan"))) == []
    assert verdicts(machine.clock_source(tmp_path))["clock source"] is Verdict.DOUBT
    (tmp_path / "sys/class/rtc/rtc0").mkdir(parents=True)
    assert verdicts(machine.clock_source(tmp_path))["clock source"] is Verdict.GOOD


@pytest.mark.system
async def test_a_broker_that_is_there_and_one_that_is_not(tmp_path: Path) -> None:
    server = plain(tmp_path / "broker").start()
    address = f"mqtt://127.0.0.1:{server.port}"
    (there,) = await broker(BrokerSection(address=address), "heron-1")
    assert there.verdict is Verdict.GOOD
    server.stop()
    (gone,) = await broker(BrokerSection(address=address), "heron-1")
    assert gone.verdict is Verdict.BAD


# --- the command ------------------------------------------------------------------------------


def doctor(*words: str) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "supervisor", "doctor", "--json", *words]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def outcome(process: subprocess.Popen[str]) -> tuple[int, dict[str, str]]:
    out, err = process.communicate(timeout=PATIENCE_S)
    assert "Traceback" not in err
    told = json.loads(out)
    assert told["ready"] == (process.returncode == 0)
    return process.returncode, {f["check"]: f["verdict"] for f in told["findings"]}


@pytest.mark.system
def test_a_good_aircraft_passes_and_a_silent_link_does_not(tmp_path: Path) -> None:
    import socket

    port = free_udp_port()
    words = ["--flight", str(FLIGHT), "--storage", str(tmp_path), "--link", f"udp:127.0.0.1:{port}"]
    code, found = outcome(doctor(*words, "--seconds", "1"))
    assert (code, found["link"], found["heartbeat"]) == (1, "bad", "bad")
    examined = doctor(*words, "--seconds", "9")
    airframe = Airframe()
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        begun = time.monotonic()
        while examined.poll() is None and time.monotonic() - begun < PATIENCE_S:
            for frame in airframe.frames(min(time.monotonic() - begun, 19.0)):
                sock.sendto(frame, ("127.0.0.1", port))
            time.sleep(0.2)
    code, found = outcome(examined)
    assert (code, found["heartbeat"], found["forecast"]) == (0, "good", "good"), found


def test_a_flight_file_that_cannot_be_used_is_a_finding(tmp_path: Path) -> None:
    (tmp_path / "f.toml").write_text("schema = 1")
    words = ["--flight", str(tmp_path / "f.toml"), "--storage", str(tmp_path), "--seconds", "0"]
    code, found = outcome(doctor(*words))
    assert (code, found["flight file"]) == (1, "bad")


def test_a_daemon_file_that_cannot_be_read_is_wrong_input(tmp_path: Path) -> None:
    run = doctor("--flight", str(FLIGHT), "--config", str(tmp_path / "none.toml"))
    _, err = run.communicate(timeout=PATIENCE_S)
    assert run.returncode == 2
    assert "none.toml" in err


def test_a_port_that_is_not_there_is_not_blamed_on_the_daemon(tmp_path: Path) -> None:
    words = ["--flight", str(FLIGHT), "--storage", str(tmp_path), "--seconds", "1"]
    run = doctor(*words, "--link", "serial:/dev/ttyNONE9:57600")
    out, _ = run.communicate(timeout=PATIENCE_S)
    (link,) = (f for f in json.loads(out)["findings"] if f["check"] == "link")
    assert "plugged in" in link["fix"]


def test_a_spoilt_learned_file_is_a_doubt(tmp_path: Path) -> None:
    words = ["--flight", str(FLIGHT), "--storage", str(tmp_path), "--seconds", "0"]
    _, found = outcome(doctor(*words))
    assert found["learned files"] == "good"
    (tmp_path / "pack-P07.json").write_text("{}")
    _, found = outcome(doctor(*words))
    assert found["learned files"] == "doubt"
