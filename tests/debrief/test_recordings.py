"""Trim, merge, export, strip: what comes out is a recording (or a table) of the same flight."""

from __future__ import annotations

import csv
import itertools
import json
import math
from collections import Counter
from pathlib import Path

import pytest
from click.testing import CliRunner
from geographiclib.geodesic import Geodesic
from mcap.reader import NonSeekingReader, make_reader
from pymavlink.dialects.v20 import common

from supervisor.cli.recording import command
from supervisor.debrief.readings import observations
from supervisor.edge.recording import Recording
from supervisor.errors import InputError
from supervisor.flightfile import parse_flight
from supervisor.recordings import damage_words, merged, summarise, trimmed, write_recording


def recording(*words: object) -> str:
    result = CliRunner().invoke(command, [str(w) for w in words], standalone_mode=False)
    if result.exception is not None:
        raise result.exception
    return result.output


def entries(path: Path) -> list[tuple[str, int, bytes]]:
    return list(Recording(path).messages())


def test_parts_put_together_are_the_whole(recorded: Path, tmp_path: Path) -> None:
    recording("trim", recorded, tmp_path / "a.mcap", "--to", 6)
    recording("trim", recorded, tmp_path / "b.mcap", "--from", 5)
    recording("merge", tmp_path / "c.mcap", tmp_path / "b.mcap", tmp_path / "a.mcap")
    assert sorted(entries(tmp_path / "c.mcap")) == sorted(set(entries(recorded)))
    assert Recording(tmp_path / "c.mcap").metadata == Recording(recorded).metadata


def test_a_trimmed_part_lies_between_its_times(recorded: Path) -> None:
    whole = entries(recorded)
    part = list(trimmed(Recording(recorded), 60.0, 120.0))
    first = whole[0][1]
    assert part == [e for e in whole if 60e9 <= e[1] - first <= 120e9]
    assert len(part) > 500


def test_a_part_beyond_the_end_is_refused_and_nothing_written(
    recorded: Path, tmp_path: Path
) -> None:
    with pytest.raises(
        InputError, match=r"nothing lies 500 min in \(allowed: 0 to 1\d\.\d, in min"
    ):
        recording("trim", recorded, tmp_path / "a.mcap", "--from", 500)
    assert not (tmp_path / "a.mcap").exists()


@pytest.mark.parametrize(
    ("damaged", "complete", "words"),
    [
        (0, True, ""),
        (0, False, "cut off before its end"),
        (1, True, "damaged in 1 place"),
        (3, False, "cut off before its end and damaged in 3 places"),
    ],
)
def test_no_damage_is_told_in_0_places(damaged: int, complete: bool, words: str) -> None:
    assert damage_words(damaged, complete) == words


def test_merging_a_recording_with_itself_changes_nothing(recorded: Path) -> None:
    twice = list(merged([Recording(recorded), Recording(recorded)]))
    assert len(twice) == len(set(entries(recorded)))
    assert all(a[1] <= b[1] for a, b in itertools.pairwise(twice))


def test_the_reference_reader_reads_what_is_written(recorded: Path, tmp_path: Path) -> None:
    """The open container's own library, which is not what wrote it."""
    recording("trim", recorded, tmp_path / "a.mcap", "--to", 3)
    with (tmp_path / "a.mcap").open("rb") as file:
        summary = make_reader(file).get_summary()
        file.seek(0)
        read = [(c.topic, m.log_time, m.data) for _, c, m in NonSeekingReader(file).iter_messages()]
    assert summary is not None
    assert summary.statistics is not None
    assert summary.statistics.message_count == len(read)
    assert sorted(read) == sorted(entries(tmp_path / "a.mcap"))


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    (tmp_path / "a.mcap").write_bytes(b"precious")
    with pytest.raises(InputError, match="exists already"):
        write_recording(tmp_path / "a.mcap", {}, [])
    assert (tmp_path / "a.mcap").read_bytes() == b"precious"


def test_a_cut_off_file_is_listed_as_such(recorded: Path, tmp_path: Path) -> None:
    cut = tmp_path / "cut.mcap"
    cut.write_bytes(recorded.read_bytes()[:-200_000])
    (told,) = json.loads(recording("list", cut, "--json"))
    assert not told["complete"]
    assert 0 < told["messages"]["mavlink"] < summarise(recorded).counts["mavlink"]
    assert "  cut off before its end\n" in recording("list", tmp_path)


def test_a_listing_is_what_reading_it_all_through_finds(recorded: Path, tmp_path: Path) -> None:
    """Also where one chunk in the middle is damaged, and of a file that is cut off."""
    whole = recorded.read_bytes()
    hurt, cut = tmp_path / "hurt.mcap", tmp_path / "cut.mcap"
    hurt.write_bytes(whole[: len(whole) // 2] + b"\0\0\0" + whole[len(whole) // 2 + 3 :])
    cut.write_bytes(whole[:-200_000])
    for path, damaged, complete in ((recorded, 0, True), (hurt, 1, True), (cut, 0, False)):
        times = [t_ns for _, t_ns, _ in entries(path)]
        told = summarise(path)
        assert told.counts == Counter(topic for topic, _, _ in entries(path))
        assert (told.first_ns, told.last_ns) == (min(times), max(times))
        assert (told.damaged, told.complete) == (damaged, complete)
    assert summarise(hurt).counts["mavlink"] < summarise(recorded).counts["mavlink"]


def test_an_empty_recording_is_listed(tmp_path: Path) -> None:
    write_recording(tmp_path / "empty.mcap", {"flight": "none"}, [])
    told = summarise(tmp_path / "empty.mcap")
    assert (told.counts, told.seconds, told.complete) == ({}, 0.0, True)
    assert "nothing" in recording("list", tmp_path)


def test_csv_is_what_was_recorded(recorded: Path, tmp_path: Path) -> None:
    recording("export", recorded, tmp_path / "t.csv", "--every", 2)
    with (tmp_path / "t.csv").open(newline="") as file:
        table = list(csv.DictReader(file))
    times = [float(row["t_s"]) for row in table]
    assert all(1.9 < b - a < 2.6 for a, b in itertools.pairwise(times))
    flying = [row for row in table if row["height_m"] and float(row["height_m"]) > 80]
    assert len(flying) > 200
    for row in flying:
        assert 43.9 < float(row["lat_deg"]) < 44.5
        assert float(row["pack_v"]) == pytest.approx(
            sum(float(row[f"cell_{k}_v"]) for k in range(1, 13)), abs=0.02
        )


def test_parquet_has_the_same_columns(recorded: Path, tmp_path: Path) -> None:
    parquet = pytest.importorskip("pyarrow.parquet")
    recording("export", recorded, tmp_path / "t.parquet", "--every", 10)
    recording("export", recorded, tmp_path / "t.csv", "--every", 10)
    table = parquet.read_table(tmp_path / "t.parquet")
    with (tmp_path / "t.csv").open() as file:
        assert file.readline().strip().split(",") == table.column_names


def test_an_unknown_table_is_refused(recorded: Path, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="csv"):
        recording("export", recorded, tmp_path / "t.xls")


@pytest.fixture(scope="module")
def shared(recorded: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("shared") / "shared.mcap"
    recording("strip", recorded, out)
    return out


def places(path: Path) -> list[tuple[float, float]]:
    """Every position in the file, read with the reference library."""
    link = common.MAVLink(None)
    found = []
    for _, _, data in entries(path):
        for told in link.parse_buffer(data) or []:
            if told.get_type() in ("GLOBAL_POSITION_INT", "GPS_RAW_INT"):
                found.append((told.lat / 1e7, told.lon / 1e7))
            elif told.get_type() == "HOME_POSITION":
                found.append((told.latitude / 1e7, told.longitude / 1e7))
    return [p for p in found if p != (0.0, 0.0)]


def test_stripped_positions_are_elsewhere(shared: Path) -> None:
    moved = places(shared)
    assert len(moved) > 1000
    assert all(abs(lat) < 1.0 and abs(lon + 30.0) < 1.0 for lat, lon in moved)


def test_no_message_with_a_position_or_text_slips_through(shared: Path) -> None:
    link = common.MAVLink(None)
    kinds = {
        told.get_type() for _, _, data in entries(shared) for told in link.parse_buffer(data) or []
    }
    positions = {"GLOBAL_POSITION_INT", "GPS_RAW_INT", "HOME_POSITION"}
    harmless = {
        "HEARTBEAT", "SYS_STATUS", "SYSTEM_TIME", "SCALED_PRESSURE", "ATTITUDE", "MISSION_CURRENT",
        "VFR_HUD", "BATTERY_STATUS", "WIND_COV", "EXTENDED_SYS_STATE", "RADIO_STATUS",
    }  # fmt: skip
    assert kinds <= positions | harmless


def test_distances_stay_as_they_were(recorded: Path, shared: Path) -> None:
    """Reference: geographiclib on WGS 84."""
    old, new = places(recorded), places(shared)
    assert len(old) == len(new)
    for i, j in ((10, 2000), (100, 3000), (500, -1)):
        before = Geodesic.WGS84.Inverse(*old[i], *old[j])["s12"]
        after = Geodesic.WGS84.Inverse(*new[i], *new[j])["s12"]
        assert after == pytest.approx(before, rel=2e-3, abs=0.5)


def test_the_flight_file_inside_names_no_place(shared: Path) -> None:
    text = Recording(shared).metadata["flight_file"]
    for word in ("Saltmere", "gauge", "Heron", "44.", "-28.", "Invented", "#"):
        assert word not in text
    flight = parse_flight(text, "shared")
    assert math.degrees(flight.home.lon_rad) == pytest.approx(-30.0)
    assert len(flight.route) == 2


def test_a_stripped_recording_holds_the_same_flight(recorded: Path, shared: Path) -> None:
    """Everything but the places is there, to the last report."""
    from supervisor.core.events import AirData, PackReport

    def kept(path: Path) -> list[object]:
        return [o for o in observations(Recording(path)) if isinstance(o, AirData | PackReport)]

    assert kept(shared) == kept(recorded)
