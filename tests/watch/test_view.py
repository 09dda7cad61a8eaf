"""What is shown: counted on while silent, honest while stale, the most urgent on top."""

from __future__ import annotations

import pytest
from scripted import TURN_T, Story

from supervisor.messages import Status
from supervisor.watch.picture import Heard, Picture, fold, fold_all
from supervisor.watch.view import margin_ahead, row, urgency, view

STORY = Story()
T0 = 1_900_000_000.0


def after(*statuses: Status) -> Picture:
    return fold_all(Picture("heron-1"), [Heard(T0 + s.t, s) for s in statuses])


def changed(status: Status, **fields: object) -> Status:
    return status.model_copy(update=fields)


def test_minutes_count_on_by_the_age_of_what_is_known() -> None:
    """23.0 min published 90 s ago (and 0.2 s old then) leaves 21.5 min less 0.2 s."""
    status = STORY.status(TURN_T - 23.0 * 60)
    shown = view(after(status), T0 + status.t + 90.0)
    assert shown.figure.minutes == pytest.approx(23.0 - 90.2 / 60.0, abs=1e-6)
    assert shown.figure.reckoned
    numbers = status.numbers
    assert numbers is not None
    published = numbers.turn_back_min
    for now, then in zip(shown.figure.spread_min, published, strict=True):
        assert then is not None
        assert now == pytest.approx(then - 90.2 / 60.0, abs=1e-6)


def test_a_stale_fine_is_not_shown_as_fine() -> None:
    status = STORY.status(1000.0)
    picture = after(STORY.status(999.0), status)
    assert view(picture, T0 + 1000.5).word == "Fine"
    silent = view(picture, T0 + 1020.0)
    assert silent.word == "No word"
    assert silent.sentence.startswith("Nothing heard from the aircraft for 20 s. Last known: Fine")


def test_a_stale_warning_stays_a_warning() -> None:
    status = STORY.status(TURN_T + 20)
    assert view(after(status), T0 + status.t + 60.0).word == "Act now"


def test_the_moment_passes_even_without_a_message() -> None:
    status = STORY.status(TURN_T - 30.0)
    assert view(after(status), T0 + status.t + 1.0).figure.kind == "turn"
    assert view(after(status), T0 + status.t + 50.0).figure.kind == "due"


def test_one_noisy_look_is_no_advice_and_the_figure_agrees_with_the_word() -> None:
    """Safe time just passed, not advised: zero. Advised, safe time back above zero: now."""
    before = STORY.status(TURN_T - 10.0)
    assert before.numbers is not None
    past = before.numbers.model_copy(update={"turn_back_safe_min": -3.7})
    shown = view(after(changed(before, numbers=past)), T0 + before.t + 0.1).figure
    assert (shown.kind, shown.minutes) == ("turn", 0.0)
    advised = STORY.status(TURN_T + 10.0)
    assert advised.numbers is not None
    again = advised.numbers.model_copy(update={"turn_back_safe_min": 1.5})
    shown = view(after(changed(advised, numbers=again)), T0 + advised.t + 0.1).figure
    assert (shown.kind, shown.minutes) == ("due", None)


def test_yesterdays_figures_are_not_counted_on() -> None:
    status = STORY.status(1000.0)
    assert view(after(status), T0 + 1000.0 + 7 * 3600).figure.kind == "none"


def test_margin_is_read_off_the_published_course_by_straight_lines() -> None:
    status = changed(STORY.status(100.0), ahead=[(0, 10.0, 20.0, 30.0), (4, 2.0, 8.0, 14.0)])
    assert margin_ahead(status, 1.0) == pytest.approx((8.0, 17.0, 26.0))
    assert margin_ahead(status, 9.0) == (2.0, 8.0, 14.0)  # its end stands


@pytest.mark.parametrize(
    ("fields", "kind"),
    [
        ({"homeward": True}, "home"),
        ({"phase": "ground"}, "ground"),
        ({"numbers": None}, "none"),
    ],
)
def test_the_figure_answers_the_question_of_the_moment(
    fields: dict[str, object], kind: str
) -> None:
    status = changed(STORY.status(1000.0), **fields)
    assert view(after(status), T0 + 1000.1).figure.kind == kind


def test_no_turn_within_the_plan_is_no_number_of_minutes() -> None:
    status = STORY.status(1000.0)
    assert status.numbers is not None
    free = status.numbers.model_copy(
        update={"turn_back_safe_min": None, "turn_back_min": (None, None, None)}
    )
    shown = view(after(changed(status, numbers=free)), T0 + 1000.1).figure
    assert (shown.kind, shown.minutes) == ("whole", None)
    silent = view(after(changed(status, numbers=free)), T0 + 1060.0)
    assert (silent.figure.kind, silent.word) == ("whole", "No word")


def test_an_advisory_ahead_of_its_status_speaks_at_once() -> None:
    picture = after(STORY.status(TURN_T - 1.0))
    warning = STORY.advisories(TURN_T)[-1]
    picture = fold(picture, Heard(T0 + TURN_T, warning))
    shown = view(picture, T0 + TURN_T + 0.1)
    assert (shown.level, shown.word, shown.sentence) == ("warning", "Act now", warning.sentence)


def test_an_unverified_warning_is_listed_but_does_not_speak() -> None:
    picture = after(STORY.status(1000.0))
    forged = STORY.advisories(TURN_T)[-1].model_copy(update={"t": 1001.0})
    picture = fold(picture, Heard(T0 + 1001.0, forged, trust="unverified"))
    shown = view(picture, T0 + 1001.1)
    assert shown.level == "normal"
    assert [(a.seq, a.trust) for a in shown.advisories if a.active] == [(3, "unverified")]


def test_a_condition_whose_message_is_lost_is_shown_from_the_status() -> None:
    shown = view(after(STORY.status(TURN_T + 5)), T0 + TURN_T + 5.1)
    assert [(a.seq, a.level, a.active) for a in shown.advisories] == [(3, "warning", True)]
    assert shown.missing == (1, 2, 3)


def test_the_most_urgent_aircraft_is_on_top() -> None:
    """Warning, caution, silent in the air, then the least time left; the quiet ground last."""

    def one(name: str, lead_s: float, silent_s: float = 0.0, **fields: object) -> Picture:
        status = changed(Story(name, lead_s=lead_s).status(TURN_T), **fields)
        return fold(Picture(name), Heard(T0 - silent_s, status))

    pictures = [
        one("ground", 4000.0, phase="ground"),
        one("late", 3000.0),
        one("soon", 1200.0),
        one("silent", 3600.0, silent_s=30.0),
        one("caution", 200.0),
        one("warning", 0.0),
    ]
    rows = sorted((row(p, T0 + 0.1) for p in pictures), key=urgency)
    order = ["warning", "caution", "silent", "soon", "late", "ground"]
    assert [r.aircraft for r in rows] == order


def test_after_the_landing_it_is_calm_and_below_all_that_flies() -> None:
    """Also while nothing is heard any more: somebody has pulled the plug."""
    landed = fold_all(
        after(STORY.status(TURN_T + 20.0)),
        [Heard(T0 + a.t, a) for a in STORY.advisories(TURN_T + 20.0)]
        + [Heard(T0 + 4000.0, STORY.ended(4000.0)), Heard(T0 + 4000.1, STORY.landed(4000.1))],
    )
    for later_s in (0.2, 600.0, 7 * 3600.0):
        shown = view(landed, T0 + 4000.0 + later_s)
        assert (shown.level, shown.word) == ("normal", "Landed")
        assert (shown.figure.kind, shown.figure.reckoned) == ("landed", False)
        assert shown.figure.left_wh == (88.2, 96.4, 104.6)
        assert shown.sentence.startswith("Landed: at Saltmere box with 96 Wh")
        assert not [a for a in shown.advisories if a.active]
    pictures = [landed] + [
        fold(Picture(name), Heard(T0 + 4000.0, Story(name, lead_s=lead_s).status(TURN_T)))
        for name, lead_s in (("fine", 4000.0), ("soon", 200.0))
    ]
    bound = changed(Story("homeward", lead_s=4000.0).status(TURN_T), homeward=True)
    pictures.append(fold(Picture("homeward"), Heard(T0 + 4000.0, bound)))
    rows = sorted((row(p, T0 + 4000.2) for p in pictures), key=urgency)
    assert [r.aircraft for r in rows] == ["soon", "fine", "homeward", "heron-1"]


def test_another_flights_plan_is_not_drawn() -> None:
    picture = fold(after(Story(flight="f2").status(10.0)), Heard(T0, STORY.plan()))
    assert view(picture, T0 + 10.1).plan is None


def test_reminders_are_one_line_and_the_end_is_not_another() -> None:
    """Caution at 100, reminded at 160, a warning at 200, over at 300: two lines, both past."""
    first = STORY.advisories(1000.0)[0]

    def at(seq: int, t: float, level: str) -> Heard:
        told = first.model_copy(update={"seq": seq, "t": t, "level": level})
        return Heard(T0 + t, told)

    picture = fold_all(
        Picture("heron-1"),
        [
            at(1, 100.0, "caution"),
            at(2, 160.0, "caution"),
            at(3, 200.0, "warning"),
            at(4, 300.0, "normal"),
            Heard(T0 + 310.0, STORY.status(310.0)),
        ],
    )
    shown = view(picture, T0 + 310.1).advisories
    assert [(a.seq, a.level, a.t_s, a.until_s, a.times, a.active) for a in shown] == [
        (3, "warning", 200.0, 300.0, 1, False),
        (2, "caution", 100.0, 200.0, 2, False),
    ]
    assert [a.said_s for a in shown] == [200.0, 160.0]
