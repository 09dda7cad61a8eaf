"""The watcher's memory: the whole story after a restart, whatever happened to the file."""

from __future__ import annotations

from pathlib import Path

from scripted import TURN_T, Story

from supervisor.watch.picture import Heard, Picture, fold_all
from supervisor.watch.store import Store

STORY = Story()
T0 = 1_900_000_000.0


def kept(folder: Path) -> tuple[Store, list[Heard]]:
    store = Store(folder)
    story: list[tuple[str, Heard]] = [("plan", Heard(T0, STORY.plan(), retained=True))]
    story += [("status", Heard(T0 + t, STORY.status(float(t)))) for t in range(60, 2800, 40)]
    story += [("advisory", Heard(T0 + a.t, a)) for a in STORY.advisories(TURN_T + 10)]
    for leaf, heard in story:
        store.keep(leaf, heard)
    return store, [heard for _, heard in story]


def test_a_restart_sees_the_same_picture(tmp_path: Path) -> None:
    store, told = kept(tmp_path)
    before = fold_all(Picture("heron-1"), told)
    assert fold_all(Picture("heron-1"), store.last_flights()) == before


def test_a_torn_last_line_costs_only_itself(tmp_path: Path) -> None:
    store, told = kept(tmp_path)
    (file,) = tmp_path.rglob("*.jsonl")
    file.write_bytes(file.read_bytes()[:-30])
    assert len(list(store.last_flights())) == len(told) - 1


def test_only_the_last_flight_is_read_back(tmp_path: Path) -> None:
    store, _ = kept(tmp_path)
    store.keep("status", Heard(T0 + 9000.0, Story(flight="later").status(10.0)))
    assert [h.message.flight for h in store.last_flights()] == ["later"]  # type: ignore[union-attr]
    assert list(store.last_flights("other")) == []


def test_a_flight_cannot_name_a_file_outside_the_folder(tmp_path: Path) -> None:
    inner = tmp_path / "store"
    sly = STORY.status(10.0).model_copy(update={"flight": "../../escaped"})
    Store(inner).keep("status", Heard(T0, sly))
    assert [p.is_relative_to(inner) for p in tmp_path.rglob("*.jsonl")] == [True]
    assert len(list(Store(inner).last_flights())) == 1


def test_a_disk_that_refuses_is_said_and_survived(tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("not a folder")
    store = Store(blocked)
    store.keep("status", Heard(T0, STORY.status(10.0)))
    assert "file" in store.fault


def test_the_session_name_lasts_and_belongs_to_one_watcher(tmp_path: Path) -> None:
    first = Store(tmp_path)
    name = first.session()
    assert name.startswith("homeleg-watch-")
    assert Store(tmp_path).session() == ""  # while the first one lives
    del first
    assert Store(tmp_path).session() == name
    assert Store(None).session() == ""


def test_presence_is_not_kept(tmp_path: Path) -> None:
    Store(tmp_path).keep("presence", Heard(T0, STORY.presence()))
    assert list(tmp_path.rglob("*.jsonl")) == []
