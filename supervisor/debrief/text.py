"""The debrief in a terminal of 100 columns."""

from __future__ import annotations

import textwrap

import click

from supervisor.budget.text import ADVICE, WIDTH, clock
from supervisor.debrief import words
from supervisor.debrief.answer import Debrief
from supervisor.debrief.causes import CAUSES

COLOUR = {"go": "green", "conditions": "yellow", "no-go": "red"}
BAR = 40


def render(d: Debrief) -> str:
    """The whole page."""
    parts = [_head(d), _causes(d), _forecast(d), _events(d), _ledger(d), _wind(d), _pack(d)]
    return "\n\n".join([*(p for p in parts if p), "\n".join(textwrap.wrap(ADVICE, WIDTH))])


def _title(text: str) -> str:
    return click.style(text, bold=True)


def _head(d: Debrief) -> str:
    craft, colour = d.flight.aircraft, COLOUR[words.tone(d)]
    lines = [
        f"{_title(d.flight.name)}   {craft.name}, pack {d.flight.pack.pack_id}, "
        f"{clock(d.flown.airborne_s)} in the air",
        click.style(textwrap.fill(words.headline(d), WIDTH), fg=colour, bold=True),
    ]
    for sentence in [*words.sentences(d), *d.cautions]:
        lines += textwrap.wrap(sentence, WIDTH)
    return "\n".join(lines)


def _causes(d: Debrief) -> str:
    """A bar a cause, to the left what was lost, to the right what was gained."""
    largest = max((abs(d.causes.total_wh[c]) for c in CAUSES), default=1.0) or 1.0
    lines = [_title("Where the difference came from")]
    lines.append(f"  {'planned to be left':22} {d.plan.landing_wh:8.1f} Wh")
    for cause in CAUSES:
        gained = -d.causes.total_wh[cause]
        bar = "█" * round(BAR / 2 * abs(gained) / largest)
        drawn = f"{bar:>20}│{'':20}" if gained < 0.0 else f"{'':20}│{bar:20}"
        lines.append(f"  {cause:22} {gained:+8.1f} Wh {drawn}".rstrip())
    lines.append(
        f"  {'left':22} {d.landing_wh:8.1f} Wh  ({words.landing_range(d)}, nine times in ten)"
    )
    return "\n".join(lines)


def _forecast(d: Debrief) -> str:
    lines = [_title("What was predicted, and what came")]
    return "\n".join([*lines, *textwrap.wrap(words.quality(d), WIDTH)])


def _events(d: Debrief) -> str:
    lines = [_title("Advisories")]
    for e in d.events:
        lasted = clock(e.ended_s - e.t_s) if e.ended_s == e.ended_s else "to the end"
        acked = f"{e.acked_by} after {e.acked_after_s:.0f} s" if e.acked_by else "not acknowledged"
        when = clock(e.t_s - d.flown.take_off_s)
        lines.append(f"  {when:>8}  {e.level.upper():8}  {e.condition:18} {lasted:>10}  {acked}")
    return "\n".join(lines if d.events else [*lines, "  none"])


def _ledger(d: Debrief) -> str:
    lines = [
        _title("Ledger, Wh at the terminals"),
        f"  {'leg':20} {'phase':11} {'planned':>8} {'flown':>8} {'more':>8}   min planned, flown",
    ]
    seen = ""
    for r in d.lines:
        leg = r.leg if r.leg != seen else ""
        seen = r.leg
        lines.append(
            f"  {leg:20} {r.phase:11} {r.planned_wh:8.1f} {r.flown_wh:8.1f} "
            f"{r.flown_wh - r.planned_wh:+8.1f}   {r.planned_s / 60:11.1f}, {r.flown_s / 60:5.1f}"
        )
    planned, flown = d.plan.energy_wh(), d.pack.delivered_wh
    lines.append(f"  {'all':32} {planned:8.1f} {flown:8.1f} {flown - planned:+8.1f}")
    return "\n".join(lines)


def _wind(d: Debrief) -> str:
    lines = [
        f"  {w.low_m:4.0f}..{w.high_m:3.0f} m  met {w.met_from_deg:03.0f}° {w.met_mps:4.1f} m/s"
        f"  forecast {w.told_from_deg:03.0f}° {w.told_mps:4.1f} m/s  off {w.off_mps:.1f} m/s"
        f"  ({w.seconds / 60:.0f} min)"
        for w in d.winds
    ]
    return "\n".join([_title("Wind by height"), *lines]) if d.winds else ""


def _pack(d: Debrief) -> str:
    lines = [_title("The pack")]
    for name, text in words.pack_rows(d):
        first, *rest = textwrap.wrap(text, WIDTH - 17)
        lines.append(f"  {name:14} {first}")
        lines += [f"  {'':14} {line}" for line in rest]
    return "\n".join(lines)
