"""``homeleg fly``: files, list, errors, as a person or a script meets them."""

from __future__ import annotations

import itertools
import json
import re
import subprocess
import sys
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from mcap.reader import NonSeekingReader
from pymavlink.dialects.v20 import common

from sim.scenario import names


def fly(*arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "supervisor", "fly", *arguments]
    return subprocess.run(command, capture_output=True, text=True, timeout=600, check=False)


@pytest.fixture(scope="module")
def headless(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A short flight (turned after two minutes), with its truth on a coarse grid."""
    out = tmp_path_factory.mktemp("flight")
    done = fly(
        "--scenario", "highsite", "--seed", "3", "--headless", "--out", str(out),
        "--turn-back-at", "120", "--grid", "1800",
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stdout == ""
    return out


def messages(path: Path) -> list[tuple[int, bytes]]:
    with path.open("rb") as file:
        found = NonSeekingReader(file).iter_messages(log_time_order=False)
        out = []
        for _schema, channel, message in found:
            assert (channel.topic, channel.message_encoding) == ("mavlink", "mavlink2")
            out.append((message.log_time, message.data))
        return out


def test_recording_holds_raw_frames_at_simulated_times(headless: Path) -> None:
    rows = messages(headless / "flight.mcap")
    parser = common.MAVLink(None)
    seen: list[tuple[int, Any]] = [
        (t, m) for t, frame in rows for m in parser.parse_buffer(frame) or []
    ]
    assert len(seen) == len(rows) > 3000
    assert [t for t, _ in rows] == sorted(t for t, _ in rows)
    for t_ns, message in seen:
        if message.get_type() == "GLOBAL_POSITION_INT":
            assert message.time_boot_ms == pytest.approx(t_ns / 1e6 + 60_000, abs=1)


def test_truth_has_the_series_and_the_turn_backs(headless: Path) -> None:
    truth = json.loads((headless / "truth.json").read_text(encoding="utf-8"))
    assert (truth["scenario"], truth["seed"], truth["landed"]) == ("highsite", 3, True)
    times = [row[truth["columns"].index("t_s")] for row in truth["series"]]
    steps = {round(b - a, 1) for a, b in itertools.pairwise(times[:-1])}
    assert all(0.5 <= step <= 1.5 for step in steps)
    assert times[-1] == truth["end_s"]
    assert truth["turn_backs"]
    assert truth["t_star_s"] is not None


def test_the_same_seed_gives_the_same_file(headless: Path, tmp_path: Path) -> None:
    again, other = tmp_path / "again.mcap", tmp_path / "other.mcap"
    for path, seed in ((again, "3"), (other, "4")):
        done = fly(
            "--scenario", "highsite", "--seed", seed, "--to", str(path), "--turn-back-at", "120"
        )
        assert done.returncode == 0, done.stderr
    assert again.read_bytes() == (headless / "flight.mcap").read_bytes()
    assert other.read_bytes() != again.read_bytes()


def test_a_later_sortie_has_the_same_aircraft_with_an_older_pack(tmp_path: Path) -> None:
    told: dict[str, Any] = {}
    for number in ("0", "30"):
        out = tmp_path / number
        done = fly(
            "--scenario", "boxday", "--sortie", number, "--headless", "--out", str(out),
            "--turn-back-at", "100", "--grid", "7200",
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        told[number] = json.loads((out / "truth.json").read_text(encoding="utf-8"))
        with (out / "flight.mcap").open("rb") as file:
            (note,) = NonSeekingReader(file).iter_metadata()
        assert note.metadata["sortie"] == number
    first, late = told["0"], told["30"]
    assert (first["sortie"], late["sortie"]) == (0, 30)
    assert late["draw"] == first["draw"]
    energy = [t["columns"].index("energy_left_wh") for t in (first, late)]
    ratio = late["series"][0][energy[1]] / first["series"][0][energy[0]]
    # 30 x 0.012 of the way to an end of life at 80 %: 0.928 (by hand); both are charged to 90 %.
    assert ratio == pytest.approx(0.928, abs=0.02)


def test_the_last_state_stands_still(headless: Path) -> None:
    """On the ground nothing but the avionics (25 W) draws."""
    truth = json.loads((headless / "truth.json").read_text(encoding="utf-8"))
    last = dict(zip(truth["columns"], truth["series"][-1], strict=True))
    assert last["phase"] == "landed"
    assert last["power_w"] == pytest.approx(25.0, abs=0.5)
    assert (last["tas_mps"], last["vn_mps"]) == (0.0, 0.0)


def test_with_a_key_every_frame_in_the_file_is_signed(tmp_path: Path) -> None:
    """Incompatibility flag 1 (MAVLink developer guide, Message signing)."""
    (tmp_path / "key").write_text("5a" * 32, encoding="utf-8")
    path = tmp_path / "signed.mcap"
    done = fly(
        "--scenario", "estuary", "--turn-back-at", "30", "--to", str(path),
        "--key", str(tmp_path / "key"),
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert {frame[2] & 1 for _, frame in messages(path)} == {1}


def test_the_local_radio_ends_on_the_way_out(tmp_path: Path) -> None:
    # The estuary's route leaves the 10 km of a local radio (common practice, no source) after some
    # 7 minutes at 25 m/s over ground; turned at 15 minutes it comes back into range.
    path = tmp_path / "radio.mcap"
    done = fly(
        "--scenario", "estuary", "--to", str(path), "--through", "radio", "--turn-back-at", "900"
    )
    assert done.returncode == 0, done.stderr
    times = [t / 1e9 for t, _ in messages(path)]
    silences = [(a, b) for a, b in pairwise(times) if b - a > 60.0]
    assert len(silences) == 1
    assert 300.0 < silences[0][0] < 600.0
    assert silences[0][1] > 900.0


def test_titles_stand_in_one_column() -> None:
    """However long the longest name is."""
    lines = fly("--list").stdout.splitlines()
    starts = {re.search(r" {2,}", line).end() for line in lines if line}  # type: ignore[union-attr]
    assert len(starts) == 1


def test_list_for_machines() -> None:
    done = fly("--list", "--json")
    rows = json.loads(done.stdout)
    assert [row["name"] for row in rows] == names()
    for row in rows:
        assert row["title"]
        assert row["seeds"]
        assert Path(row["flight"]).is_file()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ((), "--scenario"),
        (("--scenario", "nowhere"), "estuary"),
        (("--scenario", "estuary", "--rate", "fast"), "--rate"),
        (("--scenario", "estuary", "--to", "udp:14550"), "udp:HOST:PORT"),
        (("--scenario", "estuary", "--to", "udp:127.0.0.1:123456"), "123456"),
        (("--scenario", "estuary", "--headless"), "--out"),
        (("--scenario", "estuary", "--headless", "--out", "/proc/none"), "/proc/none"),
        (("--scenario", "estuary", "--to", "/proc/none/x.mcap"), "/proc/none"),
        (("--scenario", "estuary", "--through", "string"), "cellular"),
        (("--scenario", "estuary", "--sortie", "1"), "single flight"),
        (("--scenario", "boxday", "--sortie", "40"), "0 to 39"),
    ],
)
def test_wrong_input_is_exit_2_and_says_what(arguments: tuple[str, ...], said: str) -> None:
    done = fly(*arguments)
    assert done.returncode == 2, done.stderr
    assert said in done.stderr
    assert "Traceback" not in done.stderr
