"""Order of frames."""

from __future__ import annotations

import random

from hypothesis import given
from hypothesis import strategies as st

from supervisor.edge.frames import Frame
from supervisor.edge.sequence import OrderCounts, Sequence

POSITION, BATTERY, HEARTBEAT = 33, 147, 0


def frame(number: int, msgid: int = POSITION) -> Frame:
    """The ``number``-th frame a sender makes; its bytes are its own."""
    return Frame(b"%d %d" % (msgid, number), msgid, 1, 1, number % 256, b"")


def run(frames: list[Frame]) -> tuple[list[Frame], OrderCounts]:
    counts = OrderCounts()
    sequence = Sequence(frames[0].seq, counts)
    return [f for f in frames if sequence.take(f)], counts


def test_in_order_over_many_laps() -> None:
    frames = [frame(number) for number in range(1000)]
    taken, counts = run(frames)
    assert taken == frames
    assert counts == OrderCounts()


def test_gaps_are_counted() -> None:
    frames = [frame(number) for number in range(600) if number % 10]
    taken, counts = run(frames)
    assert taken == frames
    assert counts.lost == 59  # the first missing number is before the first frame


def test_identical_heartbeats_a_lap_apart_are_not_repeats() -> None:
    same = Frame(b"beat", HEARTBEAT, 1, 1, 0, b"")
    others = [frame(number) for number in range(1, 256)]
    taken, counts = run([same, *others, same])
    assert len(taken) == 257
    assert counts.repeated == 0


@given(st.integers(1, 127))
def test_a_relay_that_repeats_everything_later(delay: int) -> None:
    frames = [frame(number, msgid=number % 3) for number in range(500)]
    stream = []
    for number, original in enumerate(frames):
        stream.append(original)
        if number >= delay:
            stream.append(frames[number - delay])
    taken, counts = run(stream)
    assert taken == frames
    assert counts.repeated == len(frames) - delay


def test_swapped_neighbours_of_different_kinds_are_both_taken() -> None:
    taken, counts = run([frame(0), frame(2, BATTERY), frame(1, POSITION), frame(3, BATTERY)])
    assert [f.seq for f in taken] == [0, 2, 1, 3]
    assert counts.late == 0


def test_an_old_position_after_a_new_one_is_dropped() -> None:
    taken, counts = run([frame(0), frame(2), frame(1), frame(3)])
    assert [f.seq for f in taken] == [0, 2, 3]
    assert counts.late == 1


def test_a_restarted_sender_is_heard_again_soon() -> None:
    before = [frame(number) for number in range(100)]
    after = [Frame(b"new %d" % n, POSITION, 1, 1, n, b"") for n in range(50)]
    taken, counts = run(before + after)
    assert counts.restarts == 1
    assert len([f for f in taken if f.raw.startswith(b"new")]) >= 34


def test_a_restart_amid_a_flood_we_skip_is_noticed() -> None:
    counts = OrderCounts()
    sequence = Sequence(0, counts)
    for number in range(100):
        sequence.pass_by(number)
    taken = 0
    for number in range(90):  # the sender counts anew from 0; ours are one in ten
        if number % 10:
            sequence.pass_by(number)
        else:
            taken += sequence.take(frame(1024 + number))
    assert counts.restarts == 1
    assert taken >= 7


def test_numbers_used_by_messages_we_skip_are_no_gap() -> None:
    counts = OrderCounts()
    sequence = Sequence(0, counts)
    for number in range(2000):
        if number % 200 == 0:  # ours are rare in a flood of others
            assert sequence.take(frame(number))
        else:
            sequence.pass_by(number % 256)
    assert counts == OrderCounts()


@given(st.integers(0, 2**32))
def test_of_one_kind_only_newer_ones_are_taken(seed: int) -> None:
    """Whatever a link does within a window of 100 frames: no repeats, no steps back in a kind."""
    rng = random.Random(seed)
    frames = [(number, frame(number, rng.choice((POSITION, BATTERY)))) for number in range(600)]
    jittered = sorted(
        (pair for pair in frames + rng.sample(frames, 200) if rng.random() > 0.1),
        key=lambda pair: pair[0] + rng.uniform(0, rng.choice((1, 1, 30))),
    )
    counts = OrderCounts()
    sequence = Sequence(jittered[0][1].seq, counts)
    newest = {POSITION: -1, BATTERY: -1}
    for number, one in jittered:
        if sequence.take(one):
            assert number > newest[one.msgid]
            newest[one.msgid] = number
    assert counts.restarts == 0
