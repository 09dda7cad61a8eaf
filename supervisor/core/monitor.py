"""The one door of the core: observations in, advisories and statuses out.

:class:`Monitor` is fed one timestamped observation at a time, and asks to be called again by
``next_deadline()``. It looks (belief, forecast, decision) only at deadlines that follow from the
observations' own times, so a live run and a replay of its recording look at the same moments and
conclude the same. It never reads a clock; extra ticks change nothing.
"""

from __future__ import annotations

import math
from dataclasses import replace

from supervisor.core.belief import Belief
from supervisor.core.conclusions import Advisory, Level, Phase, ReturnAsked, Spread, Status, Text
from supervisor.core.decide import homeward, landing, report, wording
from supervisor.core.decide.return_watch import CONDITION, ReturnWatch
from supervisor.core.decide.rules import STALE_S, Alerts, Change, Situation, acknowledge, decide
from supervisor.core.decide.situation import Heard, assess
from supervisor.core.estimate.estimator import Estimator
from supervisor.core.estimate.prior import Lessons, Prior
from supervisor.core.events import Acknowledged, Observation, ReturnWish
from supervisor.core.forecast.forecaster import Forecaster
from supervisor.core.forecast.run import Forecast
from supervisor.core.plan import Flight

Output = Advisory | Status | Text | ReturnAsked

# How often it looks: seldom on the ground and when there is time, often when it matters. Between
# two looks no more than LOOK_SHARE of the time left until the turn may pass.
GROUND_PERIOD_S, CALM_PERIOD_S, HOMEWARD_PERIOD_S, KEEN_PERIOD_S = 10.0, 10.0, 5.0, 2.0
LOOK_SHARE = 1.0 / 60.0
# MAV_SEVERITY of the STATUSTEXT that mirrors an advisory: alert, warning, notice (MAVLink common).
SEVERITY = {Level.WARNING: 1, Level.CAUTION: 4, Level.ADVISORY: 5, Level.NORMAL: 6}


class Monitor:
    """Belief, forecast and decision for one flight of one aircraft."""

    def __init__(
        self,
        flight: Flight,
        *,
        seed: int = 0,
        members: int = 400,
        points: int = 40,
        explain: bool = True,
        prior: Prior | None = None,
    ) -> None:
        self.flight = flight
        self._estimator = Estimator(flight, prior)
        self._forecaster = Forecaster(
            flight, seed=seed, members=members, points=points, explain=explain
        )
        self._heard = Heard()
        self._alerts = Alerts()
        self._homeward = homeward.Homeward()
        self._landing = landing.Landing()
        self._return = ReturnWatch(flight.policy.return_request)
        self._forecast: Forecast | None = None
        self._looked_s = -math.inf
        self._next_s = math.inf

    @property
    def forecast(self) -> Forecast | None:
        """The last forecast made."""
        return self._forecast

    def lessons(self) -> Lessons:
        """What this flight has taught so far, for the next one."""
        return self._estimator.lessons()

    def belief(self, t_s: float) -> Belief | None:
        """What is believed at ``t_s``, for whoever asks between the looks; None: nothing yet."""
        return self._estimator.belief(t_s)

    def handle(self, observation: Observation) -> list[Output]:
        """Everything concluded up to and including this observation's time."""
        out = self.tick(observation.t_s)
        if isinstance(observation, Acknowledged):
            self._alerts = acknowledge(self._alerts, observation.seq, observation.by)
            self._return.acknowledged(observation.t_s)
        elif isinstance(observation, ReturnWish):
            self._return.wish(observation)
        else:
            self._heard.hear(observation)
            self._estimator.observe(observation)
            if self._next_s == math.inf:
                self._next_s = observation.t_s + KEEN_PERIOD_S
        return out

    def tick(self, t_s: float) -> list[Output]:
        """Everything that was due up to ``t_s``; nothing when nothing was."""
        out: list[Output] = []
        if t_s < self._next_s and t_s - self._heard.t_s < STALE_S:  # nearly always
            return out
        while self.next_deadline() <= t_s:
            out += self._look(self.next_deadline())
        return out

    def reflect(self) -> None:
        """What the last look left for later, once it is published. Changes nothing if not called.

        A fault in it is the caller's to catch; the looks go on.
        """
        self._forecaster.reflect()

    def next_deadline(self) -> float:
        """When :meth:`tick` next has something to do; inf before the first observation.

        Silence brings the next look forward, so that stale telemetry is said at once.
        """
        silent_s = self._heard.t_s + STALE_S + 0.001
        return min(self._next_s, silent_s) if self._looked_s < silent_s else self._next_s

    def unix_s(self, t_s: float) -> float:
        """The aircraft's own date at ``t_s``; NaN while its autopilot does not know it."""
        return t_s + self._heard.unix_offset_s

    def _look(self, t_s: float) -> list[Output]:
        """Belief, forecast, decision, report: the middle of the straight line."""
        self._looked_s = t_s
        belief = self._estimator.belief(t_s)
        if belief is not None and t_s - self._heard.t_s <= STALE_S:
            belief = self._with_heading_home(belief)
            self._forecast = self._foreseen(belief)
        situation = assess(
            self.flight, self._heard, belief, self._forecast, t_s, self._homeward.yes, self._landing
        )
        self._alerts, changes = decide(self._alerts, situation)
        self._next_s = t_s + _period_s(situation)
        out: list[Output] = []
        for change in changes:
            out += self._say(change, situation)
        out += self._return_request(situation, belief.phase if belief else Phase.UNKNOWN)
        worst = _worst_condition(self._alerts)
        view = report.View(
            self.flight, self._heard, belief, self._forecast, situation, self._alerts
        )
        sentence = wording.headline(situation, report.numbers(view), worst)
        state, by = self._return.state
        return [
            *out,
            replace(
                report.status(view, sentence),
                return_request=state,
                return_by=by,
                next_look_s=self._next_s - t_s,
            ),
        ]

    def _foreseen(self, belief: Belief) -> Forecast | None:
        """The forecast from here; None once the flight is over: nothing is left to foresee."""
        self._landing = landing.watch(self._landing, self.flight, belief, self._heard.armed)
        if self._landing.place:
            return None
        forecast = self._forecaster.forecast(belief)
        return _bound_for_home(forecast) if belief.homeward else forecast

    def _with_heading_home(self, belief: Belief) -> Belief:
        place, fix = (belief.north_m, belief.east_m), belief.position
        velocity = (fix.vn_mps, fix.ve_mps)
        if belief.phase is Phase.GROUND:
            self._homeward = homeward.Homeward()
        else:
            ahead = self._forecaster.next_point(belief)
            self._homeward = homeward.watch(self._homeward, belief.t_s, place, velocity, ahead)
        return replace(belief, homeward=self._homeward.yes)

    def _return_request(self, situation: Situation, phase: Phase) -> list[Output]:
        """The optional request for the autopilot's return; nothing at all unless it is allowed."""
        said = self._return.look(situation, self._alerts, phase)
        if said is None:
            return []
        self._alerts = replace(self._alerts, seq=self._alerts.seq + 1)
        change = Change(self._alerts.seq, CONDITION, said.level, said.level, reminder=False)
        out = self._advise(change, situation, said.sentence)
        return [*out, ReturnAsked(situation.t_s)] if said.ask else out

    def _say(self, change: Change, situation: Situation) -> list[Output]:
        numbers = self._forecast.numbers if self._forecast else None
        condition, before = change.condition, change.before
        sentence = wording.sentence(condition, change.level, situation, numbers, before)
        if change.reminder:
            unheeded_s = situation.t_s - change.since_s
            sentence = wording.again(sentence, change.reminders, unheeded_s)
        return self._advise(change, situation, sentence)

    def _advise(self, change: Change, situation: Situation, sentence: str) -> list[Output]:
        forecast = self._forecast
        advisory = Advisory(
            seq=change.seq,
            t_s=situation.t_s,
            condition=change.condition,
            level=change.level,
            sentence=sentence,
            numbers=forecast.numbers if forecast else None,
            why_wh=forecast.why_wh if forecast else (),
        )
        out: list[Output] = [advisory]
        if change.level is Level.WARNING or change.reminder:
            # What nobody acknowledges is escalated: a warning by one step of severity, a caution
            # by going out on the local link at all.
            up = 1 if change.reminder and change.level is Level.WARNING else 0
            out.append(Text(SEVERITY[change.level] - up, sentence))
        return out


def _bound_for_home(forecast: Forecast) -> Forecast:
    """The forecast of an aircraft that has turned: there is no turn left to time."""
    never = Spread(math.inf, math.inf, math.inf)
    numbers = replace(
        forecast.numbers,
        turn_back_s=never,
        turn_back_safe_s=math.inf,
        completion=forecast.numbers.covered,
    )
    return replace(forecast, numbers=numbers, turn_back_place=None)


def _period_s(s: Situation) -> float:
    if not s.airborne:
        return GROUND_PERIOD_S
    if s.homeward:
        return HOMEWARD_PERIOD_S
    if not math.isfinite(s.turn_back_safe_s):
        return CALM_PERIOD_S
    # long before the turn and long after it was missed nothing changes within seconds
    return min(max(abs(s.turn_back_safe_s) * LOOK_SHARE, KEEN_PERIOD_S), CALM_PERIOD_S)


def _worst_condition(alerts: Alerts) -> str:
    held = [(h.level.rank, name) for name, h in alerts.held.items() if h.level is not Level.NORMAL]
    # The table's own order decides between equals: max keeps the first of them.
    return max(held, key=lambda pair: pair[0])[1] if held else ""
