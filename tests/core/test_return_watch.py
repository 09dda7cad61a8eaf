"""The return request in the monitor: a whole flight that nobody watches, armed and not."""

from __future__ import annotations

import math
from types import MappingProxyType

import pytest

from supervisor.core.conclusions import Level, Phase
from supervisor.core.decide.return_watch import ReturnWatch
from supervisor.core.decide.rules import Alerts, Held, Situation
from supervisor.core.events import ReturnWish, Wish
from supervisor.core.plan import ReturnRequest

RULES = ReturnRequest(after_s=120.0, countdown_s=60.0)


def situation(t_s: float, **changes: object) -> Situation:
    fields: dict[str, object] = {
        "t_s": t_s, "airborne": True, "homeward": False, "turn_back_safe_s": -10.0,
        "soon_lead_s": 300.0, "confidence": 0.99, "covered": 0.9,
        "completion": 0.0, "hover_holds": 1.0, "best_alternate": "",
        "best_alternate_covered": math.nan, "any_site_reachable": True,
        "headwind_excess_mps": 0.0, "headwind_cost_wh": 0.0, "overrun_wh": 0.0,
        "nameplate_wh": 850.0, "pack_resistance": 1.0, "pack_capacity": 1.0,
        "telemetry_age_s": 0.1, "position_age_s": 0.2, "fix_ok": True, "doubts": (),
        "link_quality": 1.0,
    }  # fmt: skip
    return Situation(**(fields | changes))  # type: ignore[arg-type]


def warned(acked_by: str = "") -> Alerts:
    held = Held(level=Level.WARNING, since_s=1000.0, acked_by=acked_by)
    return Alerts(MappingProxyType({"turn-back-now": held}), 7)


def flown(watch: ReturnWatch, *, until_s: float = 1500.0, **changes: object) -> list[str]:
    said = []
    for t_s in range(1000, int(until_s), 2):
        word = watch.look(situation(float(t_s), **changes), warned(), Phase.CRUISE)
        if word is not None:
            said.append(f"{t_s} {word.level.value}{' ask' if word.ask else ''}")
    return said


def armed(rules: ReturnRequest | None = RULES) -> ReturnWatch:
    watch = ReturnWatch(rules)
    watch.wish(ReturnWish(500.0, Wish.ARM, "ann"))
    return watch


def test_armed_and_alone_it_announces_counts_down_and_asks_once() -> None:
    assert flown(armed()) == ["1120 warning", "1180 warning ask"]


def test_without_policy_or_arming_it_says_nothing_at_all() -> None:
    assert flown(armed(None)) == []
    assert flown(ReturnWatch(RULES)) == []


def test_stopping_in_the_countdown_ends_it_for_the_flight() -> None:
    watch = armed()
    assert flown(watch, until_s=1150.0) == ["1120 warning"]
    watch.wish(ReturnWish(1150.0, Wish.STOP, "bob"))
    assert flown(watch) == ["1000 normal"]
    watch.wish(ReturnWish(1151.0, Wish.ARM, "ann"))
    assert flown(watch) == []


def test_reading_the_announcement_stops_it_too() -> None:
    watch = armed()
    flown(watch, until_s=1150.0)
    watch.acknowledged(1150.0)
    word = watch.look(situation(1152.0), warned(), Phase.CRUISE)
    assert word is not None
    assert (word.level, word.ask) == (Level.NORMAL, False)
    assert "acknowledged" in word.sentence


@pytest.mark.parametrize(
    "change",
    [
        {"homeward": True},
        {"doubts": ("current frozen",)},
        {"telemetry_age_s": 6.0},
        {"position_age_s": 6.0},
        {"fix_ok": False},
        {"turn_back_safe_s": math.nan},
    ],
    ids=lambda change: next(iter(change)),
)
def test_a_distrusted_forecast_or_a_turned_aircraft_asks_for_nothing(
    change: dict[str, object],
) -> None:
    assert flown(armed(), **change) == []


def test_doubt_in_the_countdown_cancels_and_trust_counts_anew() -> None:
    watch = armed()
    assert flown(watch, until_s=1170.0) == ["1120 warning"]
    word = watch.look(situation(1170.0, doubts=("x",)), warned(), Phase.CRUISE)
    assert word is not None
    assert "not to be trusted" in word.sentence
    later = [watch.look(situation(float(t)), warned(), Phase.CRUISE) for t in range(1172, 1236, 2)]
    assert [(w.level.value, w.ask) for w in later if w] == [("warning", False), ("warning", True)]
    assert later[0] is not None
    assert later[30] is not None  # 60 s after it was announced anew


def test_its_state_is_told_with_whose_doing_it_is() -> None:
    assert ReturnWatch(None).state == ("", "")
    assert ReturnWatch(RULES).state == ("unarmed", "")
    watch = armed()
    assert watch.state == ("armed", "ann")
    flown(watch, until_s=1150.0)
    assert watch.state == ("counting", "ann")
    flown(watch)
    assert watch.state == ("asked", "ann")
    stopped = armed()
    stopped.wish(ReturnWish(600.0, Wish.STOP, "bo"))
    flown(stopped)
    assert stopped.state == ("stopped", "bo")
