"""The decision table: levels, hysteresis, persistence, hold, reminders."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from supervisor.core.conclusions import Level
from supervisor.core.decide.nearest import Ground
from supervisor.core.decide.rules import RULES, Alerts, Change, Situation, acknowledge, decide
from supervisor.core.decide.wording import again, sentence

CALM = Situation(
    t_s=0.0,
    airborne=True,
    homeward=False,
    turn_back_safe_s=3600.0,
    soon_lead_s=300.0,
    confidence=0.99,
    covered=1.0,
    completion=1.0,
    hover_holds=1.0,
    best_alternate="pad",
    best_alternate_covered=1.0,
    any_site_reachable=True,
    headwind_excess_mps=0.0,
    headwind_cost_wh=0.0,
    overrun_wh=0.0,
    nameplate_wh=850.0,
    pack_resistance=1.0,
    pack_capacity=1.0,
    telemetry_age_s=0.2,
    position_age_s=0.2,
    fix_ok=True,
    doubts=(),
    link_quality=math.nan,
)


def run(
    seconds: int, alerts: Alerts | None = None, start: int = 0, **facts: object
) -> tuple[Alerts, list[Change]]:
    """One look a second with the same facts."""
    alerts = alerts or Alerts()
    said: list[Change] = []
    for second in range(start, start + seconds):
        alerts, changes = decide(alerts, replace(CALM, t_s=float(second), **facts))  # type: ignore[arg-type]
        said += changes
    return alerts, said


def levels(said: list[Change], condition: str) -> list[Level]:
    return [c.level for c in said if c.condition == condition and not c.reminder]


def test_over_the_pad_nobody_is_told_to_turn_back() -> None:
    """In the first half minute little is known, and to turn back is to land where it is."""
    _, said = run(60, over_pad=True, turn_back_safe_s=-30.0, covered=0.98)
    assert not levels(said, "turn-back-now")
    assert not levels(said, "turn-back-soon")
    _, said = run(60, over_pad=True, turn_back_safe_s=-30.0, covered=0.6)
    assert levels(said, "home-not-covered")


def test_a_calm_flight_says_nothing() -> None:
    assert run(600)[1] == []


@pytest.mark.parametrize(
    ("condition", "facts", "level"),
    [
        ("turn-back-now", {"turn_back_safe_s": -1.0}, Level.WARNING),
        ("turn-back-soon", {"turn_back_safe_s": 200.0}, Level.CAUTION),
        ("home-not-covered", {"covered": 0.8}, Level.CAUTION),
        ("home-not-covered", {"covered": 0.3}, Level.WARNING),
        ("divert", {"covered": 0.2, "best_alternate_covered": 0.9}, Level.WARNING),
        ("land-now", {"covered": 0.0, "any_site_reachable": False}, Level.WARNING),
        ("plan-not-covered", {"completion": 0.1}, Level.ADVISORY),
        ("hover-margin", {"hover_holds": 0.93}, Level.CAUTION),
        ("hover-margin", {"hover_holds": 0.5}, Level.WARNING),
        ("headwind-home", {"headwind_excess_mps": 5.0, "headwind_cost_wh": 90.0}, Level.CAUTION),
        ("budget-overrun", {"overrun_wh": 60.0}, Level.CAUTION),
        ("pack-weak", {"pack_capacity": 0.7}, Level.CAUTION),
        ("telemetry-stale", {"telemetry_age_s": 6.0}, Level.CAUTION),
        ("telemetry-stale", {"telemetry_age_s": 61.0}, Level.WARNING),
        ("position-lost", {"fix_ok": False}, Level.CAUTION),
        ("forecast-unsure", {"doubts": ("the battery monitor is frozen",)}, Level.ADVISORY),
        ("forecast-unsure", {"voltage_refused": True, "airborne": False}, Level.CAUTION),
        ("link-degraded", {"link_quality": 0.1}, Level.ADVISORY),
    ],
)
def test_each_condition_rises_once_and_ends(
    condition: str, facts: dict[str, object], level: Level
) -> None:
    alerts, said = run(100, **facts)
    assert levels(said, condition) == [level]
    _, ended = run(400, alerts, start=100)
    assert levels(ended, condition) == [Level.NORMAL]


def test_every_rule_has_a_sentence() -> None:
    for rule in RULES:
        for level in (Level.CAUTION, Level.NORMAL):
            text = sentence(rule.condition, level, CALM, None)
            assert text.endswith(".")
            assert len(text) < 200


def test_every_end_has_its_own_reason() -> None:
    reasons = {r.condition: sentence(r.condition, Level.NORMAL, CALM, None) for r in RULES}
    assert reasons["turn-back-now"].endswith("(the margin is back, 60 min until it must turn).")
    assert reasons["hover-margin"].endswith("(over 99 % that the landing hover holds).")
    home = sentence("turn-back-now", Level.NORMAL, replace(CALM, homeward=True), None)
    assert home == "Ended: turn back now (the aircraft is homeward bound)."
    down = replace(CALM, airborne=False)
    assert "on the ground" in sentence("home-not-covered", Level.NORMAL, down, None)
    assert "on the ground" not in sentence("pack-weak", Level.NORMAL, down, None)


def test_a_lower_level_says_that_it_has_eased() -> None:
    alerts, _ = run(60, covered=0.3)
    _, said = run(200, alerts, start=60, covered=0.8)
    (eased,) = [c for c in said if c.condition == "home-not-covered" and not c.reminder]
    assert (eased.before, eased.level) == (Level.WARNING, Level.CAUTION)
    text = sentence(eased.condition, eased.level, replace(CALM, covered=0.8), None, eased.before)
    assert text.startswith("Eased from warning: Home is in doubt: 80 %")


def test_the_lead_of_the_caution_is_the_policys() -> None:
    for lead_s in (120.0, 300.0, 900.0):
        for left_s, due in ((lead_s + 20.0, []), (lead_s - 20.0, [Level.CAUTION])):
            _, said = run(20, turn_back_safe_s=left_s, soon_lead_s=lead_s)
            assert levels(said, "turn-back-soon") == due


def test_what_is_said_again_counts_and_tells_for_how_long() -> None:
    _, said = run(500, turn_back_safe_s=-1.0)
    mine = [c for c in said if c.condition == "turn-back-now"]
    assert [c.reminders for c in mine] == list(range(len(mine)))
    assert {c.since_s for c in mine} == {4.0}  # the four seconds that it must be wanted
    assert again("Turn.", 1, 60.0) == "Not acknowledged for 60 s: Turn."
    assert again("Turn.", 3, 430.0) == "Not acknowledged for 7 min, said 4 times: Turn."


def test_land_now_says_where_the_ground_is_known() -> None:
    ground = Ground("Farrow", 2140.0, math.radians(63.0), 104.0)
    gone = replace(CALM, covered=0.0, nearest=ground, range_left_m=1300.0)
    text = sentence("land-now", Level.WARNING, gone, None)
    assert "Nearest known ground: Farrow, 2.1 km on 063, 104 m below." in text
    assert text.endswith("Charge for about 1.3 km.")
    assert "clear of people" in text


def test_land_now_ends_when_an_alternate_is_within_reach_again() -> None:
    alone = {"covered": 0.0, "best_alternate_covered": 0.0, "any_site_reachable": False}
    alerts, said = run(60, **alone)
    assert levels(said, "land-now") == [Level.WARNING]
    back = {"covered": 0.0, "best_alternate_covered": 0.9}
    _, said = run(60, alerts, start=60, **back)
    assert levels(said, "land-now") == [Level.NORMAL]
    assert levels(said, "divert") == [Level.WARNING]


def test_of_two_warnings_the_one_that_can_still_be_followed_is_the_headline() -> None:
    lost = {"covered": 0.1, "best_alternate_covered": 0.9, "turn_back_safe_s": -60.0}
    alerts, _ = run(60, **lost)
    held = [name for name, h in alerts.held.items() if h.level is Level.WARNING]
    assert held[0] == "divert"
    assert "turn-back-now" in held


def test_an_overrun_names_the_leg_that_took_most() -> None:
    over = replace(CALM, overrun_wh=61.0, overrun_leg="the leg to gauge 3", overrun_leg_wh=42.0)
    assert sentence("budget-overrun", Level.CAUTION, over, None) == (
        "61 Wh more used than planned for here (7 % of the pack), "
        "42 Wh of it on the leg to gauge 3."
    )


def test_turn_back_is_silent_when_homeward_or_on_the_ground() -> None:
    assert levels(run(60, turn_back_safe_s=-9.0, homeward=True)[1], "turn-back-now") == []
    assert levels(run(60, turn_back_safe_s=-9.0, airborne=False)[1], "turn-back-now") == []


def test_hysteresis_keeps_a_wavering_figure_from_flickering() -> None:
    alerts, said = Alerts(), []
    for second in range(600):
        wavering = 300.0 + (20.0 if second % 2 else -20.0)
        alerts, changes = decide(
            alerts, replace(CALM, t_s=float(second), turn_back_safe_s=wavering)
        )
        said += changes
    # Common practice, no source: an alert that comes and goes is an alert switched off.
    assert len([c for c in said if not c.reminder]) <= 1


def test_a_single_bad_look_is_not_a_warning() -> None:
    alerts, _ = run(10)
    alerts, said = run(1, alerts, start=10, turn_back_safe_s=-5.0)
    assert said == []
    assert run(100, alerts, start=11)[1] == []


def test_unacknowledged_warnings_are_said_again_ever_more_rarely() -> None:
    _, said = run(3600, turn_back_safe_s=-1.0)
    times = [i for i, c in enumerate(said) if c.condition == "turn-back-now"]
    reminders = [c for c in said if c.reminder and c.condition == "turn-back-now"]
    assert 3 <= len(reminders) <= 8
    assert len(times) == len(reminders) + 1


def test_alarm_rate_stays_below_what_one_operator_manages() -> None:
    # ANSI/ISA-18.2 as quoted in public code: more than 10 alarms in any 10 minutes is a flood.
    _, said = run(600, turn_back_safe_s=-1.0, hover_holds=0.5, covered=0.3, doubts=("x",))
    warnings = [c for c in said if c.condition == "turn-back-now"]
    assert len(warnings) <= 5


def test_acknowledging_stops_the_reminders_of_that_advisory_only() -> None:
    alerts, said = run(30, turn_back_safe_s=-1.0)
    seq = next(c.seq for c in said if c.condition == "turn-back-now")
    alerts = acknowledge(alerts, seq + 17, "nobody")
    assert alerts.held["turn-back-now"].acked_by == ""
    alerts = acknowledge(alerts, seq, "pilot")
    assert alerts.held["turn-back-now"].acked_by == "pilot"
    _, later = run(3600, alerts, start=30, turn_back_safe_s=-1.0)
    assert [c for c in later if c.condition == "turn-back-now"] == []


def test_the_caution_neither_rises_nor_is_repeated_under_its_warning() -> None:
    assert levels(run(3600, turn_back_safe_s=-1.0)[1], "turn-back-soon") == []
    alerts, _ = run(60, turn_back_safe_s=200.0)
    _, said = run(3600, alerts, start=60, turn_back_safe_s=-1.0)
    assert [c.condition for c in said if c.condition == "turn-back-soon"] == []


def test_one_good_look_does_not_end_a_warning() -> None:
    alerts, _ = run(30, turn_back_safe_s=-1.0)
    alerts, said = run(10, alerts, start=30, turn_back_safe_s=math.inf)
    _, more = run(20, alerts, start=40, turn_back_safe_s=-1.0)
    assert [c for c in said + more if not c.reminder] == []


@given(
    st.lists(
        st.tuples(
            st.floats(-600, 3600) | st.just(math.inf) | st.just(math.nan),
            st.floats(0, 1) | st.just(math.nan),
            st.floats(0, 200),
            st.booleans(),
        ),
        max_size=40,
    )
)
def test_sequence_numbers_count_up_by_one_whatever_comes(
    facts: list[tuple[float, float, float, bool]],
) -> None:
    alerts, said = Alerts(), []
    for i, (safe, covered, age, airborne) in enumerate(facts):
        situation = replace(
            CALM,
            t_s=3.0 * i,
            turn_back_safe_s=safe,
            covered=covered,
            telemetry_age_s=age,
            airborne=airborne,
        )
        alerts, changes = decide(alerts, situation)
        said += changes
        assert decide(alerts, situation)[1] == []  # the same look twice says nothing new
    assert [c.seq for c in said] == list(range(1, len(said) + 1))
