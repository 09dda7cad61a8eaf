"""The short history: what a late watcher is told agrees with what was said, and stays small."""

from __future__ import annotations

import sys
from pathlib import Path

from supervisor.chronicle import MOST_BEFORE, MOST_POINTS, Chronicle
from supervisor.edge.squeeze import squeeze
from supervisor.messages import Ack, History, Status
from supervisor.watch.traces import told_before

sys.path.insert(0, str(Path(__file__).parent / "watch"))
from scripted import TURN_T, Story

STORY = Story()


def told(statuses: list[Status], chronicle: Chronicle) -> list[History]:
    return [history for status in statuses if (history := chronicle.status(status))]


def flight(hours: float, every_s: int = 10) -> list[Status]:
    return [STORY.status(float(t)) for t in range(60, int(3600 * hours), every_s)]


def test_each_minute_of_the_flight_comes_out_as_it_went_in() -> None:
    statuses = flight(0.75)
    last = told(statuses, Chronicle("heron-1", "f1"))[-1]
    by_t = {round(s.t): s for s in statuses}
    rows = told_before(last)
    assert [p.t_s for p, _ in rows] == [float(t) for t in range(60, int(last.t) + 1, 60)]
    for point, fix in rows:
        status = by_t[round(point.t_s)]
        numbers, where = status.numbers, status.where
        assert numbers is not None
        assert where is not None
        margin = (point.p05_wh, point.p50_wh, point.p95_wh)
        pairs = zip(margin, numbers.above_reserve_wh, strict=True)
        assert all(abs(a - (b or 0.0)) <= 0.5 for a, b in pairs)
        assert abs(fix.lat_deg - where.lat_deg) <= 0.51e-4
        assert abs(fix.lon_deg - where.lon_deg) <= 0.51e-4
        assert abs(fix.height_m - where.height_m) <= 0.5


def test_it_is_renewed_every_five_minutes_and_soon_after_news() -> None:
    chronicle = Chronicle("heron-1", "f1")
    calm = told(flight(0.5), chronicle)
    assert [h.t for h in calm] == [60.0 + 300.0 * i for i in range(6)]
    chronicle.advisory(STORY.advisories(TURN_T)[0])
    (news,) = told([STORY.status(1800.0), STORY.status(1801.0)], chronicle)
    assert [(b.seq, b.condition) for b in news.before] == [(1, "headwind-home")]
    ack = Ack(aircraft="heron-1", flight="f1", seq=1, by="ann", utc="2031-05-14T14:06:00+00:00")
    chronicle.acknowledged(ack)
    (again,) = told([STORY.status(1805.0), STORY.status(1820.0)], chronicle)
    assert again.before[0].acked == [("ann", ack.utc)]


def test_nothing_is_told_before_there_is_a_margin() -> None:
    bare = STORY.status(60.0).model_copy(update={"numbers": None})
    assert told([bare], Chronicle("heron-1", "f1")) == []


def test_a_long_day_stays_small() -> None:
    chronicle = Chronicle("heron-1", "f1")
    for seq in range(1, 100):
        advisory = STORY.advisories(TURN_T)[1]
        chronicle.advisory(advisory.model_copy(update={"seq": seq, "t": 60.0 * seq}))
    last = told(flight(12.0, 60), chronicle)[-1]
    assert len(last.points) <= MOST_POINTS
    assert [b.seq for b in last.before] == list(range(100 - MOST_BEFORE, 100))
    assert told_before(last)[0][0].t_s == 60.0
    # The data plan is 300 kB an hour; twelve of these in it must be a small part.
    size = len(squeeze(last.payload()))
    print(f"{size} bytes squeezed, {len(last.payload())} plain")
    assert 12 * size < 0.1 * 300_000
