"""The outbox against what disks and power do."""

from __future__ import annotations

import random
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing, suppress
from pathlib import Path

import pytest

from supervisor.edge import outbox as outbox_module
from supervisor.edge.outbox import Outbox


def payloads(outbox: Outbox) -> list[bytes]:
    return [held.payload for held in outbox.pending()]


def test_what_was_put_is_there_after_a_restart_in_order(tmp_path: Path) -> None:
    first = Outbox(tmp_path / "outbox.db")
    for seq in range(1, 6):
        first.put(seq, b"%d" % seq)
    first.delete(2)
    del first  # no close: the process died
    second = Outbox(tmp_path / "outbox.db")
    assert payloads(second) == [b"1", b"3", b"4", b"5"]
    assert second.boot == 2
    assert second.durable


def test_order_goes_on_across_restarts_even_when_empty(tmp_path: Path) -> None:
    first = Outbox(tmp_path / "outbox.db")
    first.delete(first.put(1, b"a").order)
    first.close()
    second = Outbox(tmp_path / "outbox.db")
    assert len(second) == 0
    assert second.next_order() == 2
    assert second.put(1, b"b").order == 2


def test_put_has_committed_and_synced_when_it_returns(tmp_path: Path) -> None:
    outbox = Outbox(tmp_path / "outbox.db")
    outbox.put(1, b"now")
    # The independent witness: the sqlite3 library in another process.
    code = f"import sqlite3; print(sqlite3.connect({str(tmp_path / 'outbox.db')!r}).execute("
    code += "'SELECT payload FROM advisory').fetchall(), end='')"
    seen = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert seen.stdout == "[(b'now',)]"
    assert outbox._db is not None
    assert outbox._db.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    assert outbox._db.execute("PRAGMA synchronous").fetchone() == (2,)  # FULL


def test_a_full_disk_is_said_and_made_up_for(tmp_path: Path) -> None:
    said: list[str] = []
    outbox = Outbox(tmp_path / "outbox.db", on_trouble=said.append)
    outbox.put(1, b"before")
    assert outbox._db is not None
    pages = outbox._db.execute("PRAGMA page_count").fetchone()[0]
    outbox._db.execute(f"PRAGMA max_page_count={pages}")  # SQLite's own "database or disk is full"
    outbox.put(2, b"x" * 100_000)
    assert not outbox.durable
    assert "full" in said[-1]
    assert [h.seq for h in outbox.pending()] == [1, 2]
    outbox.put(3, b"after")  # the handle is opened anew, so the limit has gone
    assert outbox.durable
    assert said[-1] == "outbox is on disk again"
    assert [h.seq for h in Outbox(tmp_path / "outbox.db").pending()] == [1, 2, 3]


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    """A small file system of its own, or skip."""
    mount = shutil.which("mount")
    place = tmp_path / "disk"
    place.mkdir()
    command = [str(mount), "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(place)]
    if not mount or subprocess.run(command, capture_output=True).returncode:
        pytest.skip("no right to mount a small file system")
    yield place
    subprocess.run(["umount", "--lazy", place], check=True)


def test_a_really_full_file_system(disk: Path) -> None:
    """Something else (recordings) fills the disk, and makes room again later."""
    said: list[str] = []
    outbox = Outbox(disk / "outbox.db", on_trouble=said.append)
    outbox.put(1, b"before")
    with (disk / "filler").open("wb", buffering=0) as filler, suppress(OSError):
        while filler.write(bytes(4096)):
            pass
    for seq in range(2, 42):
        outbox.put(seq, bytes(10_000))
    assert not outbox.durable
    assert len(said) == 1  # said once, not forty times
    assert [h.seq for h in outbox.pending()] == list(range(1, 42))
    (disk / "filler").unlink()
    outbox.put(42, b"after")
    assert outbox.durable
    assert [h.seq for h in Outbox(disk / "outbox.db").pending()] == list(range(1, 43))
    outbox.close()


def test_a_read_only_disk_goes_on_in_memory(disk: Path) -> None:
    said: list[str] = []
    outbox = Outbox(disk / "outbox.db", on_trouble=said.append)
    outbox.put(1, b"written")
    outbox.close()
    remount(disk, "ro")
    outbox = Outbox(disk / "outbox.db", on_trouble=said.append)
    outbox.put(2, b"in memory")
    assert not outbox.durable
    assert said
    assert payloads(outbox) == [b"written", b"in memory"]
    remount(disk, "rw")
    outbox.put(3, b"again")
    assert outbox.durable
    outbox.close()
    assert payloads(Outbox(disk / "outbox.db")) == [b"written", b"in memory", b"again"]


def remount(disk: Path, how: str) -> None:
    subprocess.run(["mount", "-o", f"remount,{how}", disk], check=True)


def test_a_folder_that_cannot_be_made(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    said: list[str] = []
    outbox = Outbox(tmp_path / "file" / "outbox.db", on_trouble=said.append)
    outbox.put(1, b"kept")
    assert payloads(outbox) == [b"kept"]
    assert "in memory" in said[0]


def test_a_later_schema_is_kept_under_another_name(tmp_path: Path) -> None:
    db = sqlite3.connect(tmp_path / "outbox.db")
    db.execute("PRAGMA user_version=99")
    db.commit()
    db.close()
    before = (tmp_path / "outbox.db").read_bytes()
    outbox = Outbox(tmp_path / "outbox.db")
    outbox.put(1, b"kept")
    assert outbox.durable
    (aside,) = (p for p in tmp_path.glob("outbox.aside-*") if not p.name.endswith(("-wal", "-shm")))
    assert aside.read_bytes()[60:64] == before[60:64]  # user_version


def test_it_is_bounded_and_the_oldest_goes_first(tmp_path: Path) -> None:
    said: list[str] = []
    outbox = Outbox(tmp_path / "outbox.db", max_bytes=5_000, on_trouble=said.append)
    for seq in range(1, 11):
        outbox.put(seq, bytes(1_000))
    assert [h.seq for h in outbox.pending()] == [6, 7, 8, 9, 10]
    assert outbox.dropped == 5
    assert "1 oldest" in said[0]
    assert [h.seq for h in Outbox(tmp_path / "outbox.db").pending()] == [6, 7, 8, 9, 10]


def damage(folder: Path, draw: random.Random) -> str:
    """What a power cut or a worn card does to a file."""
    path = folder / draw.choice(["outbox.db", "outbox.db-wal"])
    if not path.exists() or path.stat().st_size == 0:
        path = folder / "outbox.db"
    content = bytearray(path.read_bytes())
    if draw.random() < 0.5:
        del content[draw.randrange(len(content)) :]
        path.write_bytes(content)
        return "cut"
    for _ in range(draw.choice([1, 8, 64])):
        content[draw.randrange(len(content))] ^= 1 << draw.randrange(8)
    path.write_bytes(content)
    return "flipped"


@pytest.mark.parametrize("block", range(4))
def test_any_damage_leaves_a_working_outbox(tmp_path: Path, block: int) -> None:
    """Cut or bit-flipped anywhere: it opens, takes and keeps advisories; never raises.

    40 cases here; ``python tests/edge/test_outbox.py 2000`` runs more.
    """
    for seed in range(block * 10, block * 10 + 10):
        survives(tmp_path / str(seed), seed)


def survives(folder: Path, seed: int) -> None:
    draw = random.Random(seed)
    folder.mkdir(parents=True)
    outbox = Outbox(folder / "outbox.db")
    for seq in range(1, draw.randrange(2, 60)):
        outbox.put(seq, b"%d:" % seq + bytes(draw.randrange(2_000)))
    assert outbox._db is not None
    copy = folder / "copy"  # as the card was when the power went: the WAL not folded in
    copy.mkdir()
    for path in folder.glob("outbox.db*"):
        if not path.name.endswith("-shm"):
            shutil.copy(path, copy)
    outbox.close()
    damage(copy, draw)
    after = Outbox(copy / "outbox.db")
    orders = [held.order for held in after.pending()]
    assert orders == sorted(set(orders))
    new = after.put(1, b"after the damage")
    assert new.order > max(orders, default=0)
    assert after.durable, after.trouble
    after.close()
    again = Outbox(copy / "outbox.db")
    assert again.pending()[-1].payload == b"after the damage"
    again.close()
    shutil.rmtree(folder)


if __name__ == "__main__":
    import tempfile

    count = int(sys.argv[1])
    with tempfile.TemporaryDirectory() as place:
        for case in range(count):
            survives(Path(place) / str(case), case)
    print(f"{count} damaged outboxes: all opened, none lost a later advisory")


def test_a_version_rolled_back_to_takes_the_newer_one_s_advisories_over(tmp_path: Path) -> None:
    path = tmp_path / "outbox.sqlite"
    newer = Outbox(path)
    held = [newer.put(seq, b"advisory %d" % seq) for seq in (1, 2, 3)]
    newer.close()
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("ALTER TABLE advisory ADD COLUMN colour TEXT")  # a schema to come
        db.execute("PRAGMA user_version=7")
    troubles: list[str] = []
    older = Outbox(path, on_trouble=troubles.append)
    assert older.pending() == held
    assert older.durable
    assert older.put(4, b"advisory 4").order == held[-1].order + 1
    older.close()
    assert [row.seq for row in Outbox(path).pending()] == [1, 2, 3, 4]
    assert "schema 7" in troubles[0]
    assert list(tmp_path.glob("outbox.aside-*"))


def test_an_upgrade_brings_an_older_outbox_forward(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "outbox.sqlite"
    older = Outbox(path)
    held = [older.put(seq, b"advisory %d" % seq) for seq in (1, 2, 3)]
    older.close()
    monkeypatch.setattr(outbox_module, "SCHEMA_VERSION", 3)  # two schemas to come
    steps = {
        1: "ALTER TABLE advisory ADD COLUMN colour TEXT",
        2: "ALTER TABLE advisory ADD COLUMN weight REAL DEFAULT 1.0",
    }
    monkeypatch.setattr(outbox_module, "MIGRATIONS", steps)
    newer = Outbox(path)
    assert newer.pending() == held
    assert (newer.durable, newer.trouble) == (True, "")
    assert newer.put(4, b"advisory 4").order == held[-1].order + 1
    newer.close()
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("PRAGMA user_version").fetchone() == (3,)
        assert db.execute("SELECT colour, weight FROM advisory").fetchall() == [(None, 1.0)] * 4
    assert len(Outbox(path).pending()) == 4  # and again: nothing is migrated twice
    assert not list(tmp_path.glob("outbox.aside-*"))


def test_a_migration_that_fails_loses_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "outbox.sqlite"
    older = Outbox(path)
    held = older.put(1, b"advisory 1")
    older.close()
    monkeypatch.setattr(outbox_module, "SCHEMA_VERSION", 2)
    monkeypatch.setattr(outbox_module, "MIGRATIONS", {1: "ALTER TABLE nothing ADD COLUMN x"})
    newer = Outbox(path)
    assert newer.pending() == [held]
