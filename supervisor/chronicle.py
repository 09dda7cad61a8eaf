"""The flight so far, in short: what a watcher who comes late is told by the broker.

The margin and the place once a minute, as differences of whole numbers, and the latest advisories
with who acknowledged them: about a kilobyte on the wire after an hour, a few per cent of the data
plan. Time is flight time, an argument.
"""

from __future__ import annotations

import math

from supervisor.messages import Ack, Advisory, Before, History, Status

POINT_S = 60.0
RENEW_S = 300.0
NEWS_S = 20.0  # after an advisory or an acknowledgement: soon, and several at once
MOST_POINTS = 180  # then the older half is thinned
MOST_BEFORE = 24

Row = tuple[int, int, int, int, int, int, int]


class Chronicle:
    """What is kept of one flight."""

    def __init__(self, aircraft: str, flight: str) -> None:
        self.aircraft, self.flight = aircraft, flight
        self._rows: list[Row] = []
        self._before: dict[int, Before] = {}
        self._sent_t = -math.inf
        self._news = False

    def advisory(self, advisory: Advisory) -> None:
        """One more was said."""
        self._before[advisory.seq] = Before(
            seq=advisory.seq,
            t=advisory.t,
            condition=advisory.condition,
            level=advisory.level,
            sentence=advisory.sentence,
            acked=[],
        )
        self._news = True
        while len(self._before) > MOST_BEFORE:
            del self._before[next(iter(self._before))]

    def acknowledged(self, ack: Ack) -> None:
        """Somebody has read one."""
        known = self._before.get(ack.seq)
        if known is not None:
            acked = [*known.acked, (ack.by, ack.utc)]
            self._before[ack.seq] = known.model_copy(update={"acked": acked})
            self._news = True

    def status(self, status: Status) -> History | None:
        """Take a status; the history when it is to be sent again."""
        row = _row(status)
        if row is not None and (not self._rows or status.t - self._rows[-1][0] >= POINT_S):
            self._rows.append(row)
            if len(self._rows) > MOST_POINTS:
                half = MOST_POINTS // 2
                self._rows = self._rows[:half:2] + self._rows[half:]
        if status.t - self._sent_t < (NEWS_S if self._news else RENEW_S) or not self._rows:
            return None
        self._sent_t, self._news = status.t, False
        return self._message(status)

    def _message(self, status: Status) -> History:
        earlier = [(0,) * 7, *self._rows[:-1]]
        points = [
            tuple(b - a for a, b in zip(*pair, strict=True))
            for pair in zip(earlier, self._rows, strict=True)
        ]
        return History.model_validate(
            {
                "aircraft": self.aircraft,
                "flight": self.flight,
                "t": status.t,
                "utc": status.utc,
                "points": points,
                "before": list(self._before.values()),
            }
        )


def _row(status: Status) -> Row | None:
    """One moment in whole numbers; None while margin or place is not known."""
    where, numbers = status.where, status.numbers
    if where is None or numbers is None:
        return None
    low, middle, high = numbers.above_reserve_wh
    if low is None or middle is None or high is None:
        return None
    return (
        round(status.t), round(low), round(middle), round(high),
        round(where.lat_deg * 1e4), round(where.lon_deg * 1e4), round(where.height_m),
    )  # fmt: skip
