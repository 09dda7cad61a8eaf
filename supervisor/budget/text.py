"""The budget in a terminal of 100 columns."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence

import click

from supervisor.budget.answer import Budget, PointOnPlan, Variant, Verdict, Weight
from supervisor.budget.judge import kept_words, percent
from supervisor.core.plan import Pack, Policy
from supervisor.reserves import kept_at_home_wh

WIDTH = 100
WHOLE_PLAN = ("whole plan", "turn back by")
GLUE = "\x1f"  # holds words of one item together while a line is wrapped
COLOUR = {Verdict.GO: "green", Verdict.CONDITIONS: "yellow", Verdict.NO_GO: "red"}
WORD = {Verdict.GO: "GO", Verdict.CONDITIONS: "GO WITH CONDITIONS", Verdict.NO_GO: "NO-GO"}
ADVICE = (
    "Homeleg advises and is no certified equipment. The remote pilot decides and stays "
    "responsible; local rules and the licence bind, whatever is printed here."
)


def render(budget: Budget) -> str:
    """The whole page."""
    parts = [
        _head(budget),
        _verdict(budget),
        _key_figures(budget),
        _ledger(budget),
        _legs(budget),
        _returns(budget),
        _alternates(budget),
        _variants("A worse day", budget.sensitivity, budget.flight.policy),
        _variants("What would help most", budget.measures, budget.flight.policy),
        _findings(budget),
        "\n".join(textwrap.wrap(ADVICE, WIDTH)),
    ]
    return "\n\n".join(part for part in parts if part)


def _head(b: Budget) -> str:
    craft, pack, wind = b.flight.aircraft, b.flight.pack, b.flight.weather.wind
    first = wind[0] if wind else None
    blows = f"wind {wind_words(first.n_mps, first.e_mps)} at first" if first else "calm"
    lines = [
        click.style(b.flight.name, bold=True)
        + f"   {craft.name}, {craft.mass_kg:g} kg, {points(b)}, "
        f"{b.distance_m / 1000:.1f} km, {clock(b.duration_s)} home included",
        f"pack {pack.pack_id}: {pack.series}S{pack.parallel}P {pack.cell.name}, "
        f"{pack.capacity_ah:g} Ah, {pack_words(pack, b.today_wh)}",
        f"air {b.flight.weather.temperature_c:g} °C, {blows}{_learned(b)}",
    ]
    return "\n".join(lines)


def pack_words(pack: Pack, today_wh: float) -> str:
    """875 Wh nameplate, 849 Wh today at 18 °C: what it is sold as, and what it holds."""
    charge = "" if pack.initial_charge > 0.995 else f", {100 * pack.initial_charge:.0f} % charged"
    today = f"{today_wh:.0f} Wh today at {pack.temperature_c:g} °C"
    return f"{pack.nameplate_wh:.0f} Wh nameplate, {today}{charge}"


def _learned(b: Budget) -> str:
    known = [name for name, part in (("aircraft", b.prior.power), ("pack", b.prior.pack)) if part]
    return f"; {' and '.join(known)} as learned in earlier flights" if known else ""


def points(b: Budget) -> str:
    """1 route point, 7 route points."""
    count = len(b.flight.route)
    return f"{count} route point{'' if count == 1 else 's'}"


def wind_words(n_mps: float, e_mps: float) -> str:
    """4 m/s from 270°, from components of where it blows to."""
    from_deg = math.degrees(math.atan2(-e_mps, -n_mps)) % 360.0
    return f"{math.hypot(n_mps, e_mps):.0f} m/s from {from_deg:.0f}°"


def _verdict(b: Budget) -> str:
    word = click.style(f" {WORD[b.verdict]} ", fg="black", bg=COLOUR[b.verdict], bold=True)
    lines = [word]
    for sentence in b.reasons:
        lines += textwrap.wrap(sentence, WIDTH - 2, initial_indent="  ", subsequent_indent="  ")
    for sentence in b.conditions:
        lines += textwrap.wrap(sentence, WIDTH - 4, initial_indent="  - ", subsequent_indent="    ")
    return "\n".join(lines)


def _key_figures(b: Budget) -> str:
    policy, chances = b.flight.policy, b.chances
    rows = [
        ("whole plan, with reserve and voltage held", percent(chances.completion)),
        ("lands with " + kept_words(policy).replace(" and the", ","), percent(chances.reserve)),
        ("turn back by (on paper, contingency kept)", _place(b.turn_back_paper, "not within plan")),
        (f"turn back by (at {100 * policy.confidence:g} %, reaction kept)", safe_words(b)),
        ("equal time on and home", _equal_time(b)),
        (
            f"landing hover holds {policy.min_cell_v:g} V a cell",
            f"{percent(chances.voltage)}; " + _hover(b),
        ),
    ]
    p = b.performance
    rows.append(
        (
            "on paper at take-off mass",
            f"hover {p.hover_w:.0f} W; cruise {p.cruise_w:.0f} W at "
            f"{b.flight.aircraft.cruise_mps:g} m/s; best range {p.best_range_cas_mps:.1f} m/s",
        )
    )
    return "\n".join(f"{name:<43}{value}" for name, value in rows)


def _hover(b: Budget) -> str:
    if b.landing_wh <= 0.0:
        return "on paper the pack is empty before it"
    spread = b.chances.hover_v
    return f"{b.hover_v:.2f} V on paper, 5..95 % {spread.p05:.2f}..{spread.p95:.2f} V"


def safe_words(b: Budget) -> str:
    """Until when and where it may go on at the policy's confidence."""
    if b.turn_back_safe is None:
        return "not within plan"
    if b.turn_back_safe.after_s <= 0.0:
        return "no margin at take-off"
    return _place(b.turn_back_safe, "")


def _equal_time(b: Budget) -> str:
    return "beyond endurance" if b.equal_time_beyond else _place(b.equal_time, "none")


def _place(p: PointOnPlan | None, without: str) -> str:
    if p is None:
        return without
    return f"{clock(p.after_s)}, {p.distance_home_m / 1000:.1f} km out, leg {clip(p.leg, 20)}"


def _ledger(b: Budget) -> str:
    """Trip, contingency, alternate, final reserve, extra; in Wh and in % of what there is today."""
    reserves = ("contingency", "alternate", "final-reserve", "extra")
    trip = [(name, wh) for name, wh in b.ledger_wh if name not in reserves]
    total = b.today_wh
    trip_wh = sum(wh for _, wh in trip)
    lines = [
        heading("Ledger", f"% of today's {total:.0f} Wh"),
        _ledger_line("trip", trip_wh, total),
    ]
    detail = " · ".join(f"{name} {wh:.0f}".replace(" ", GLUE) for name, wh in trip if wh >= 0.5)
    indent = " " * 4
    wrapped = textwrap.wrap(
        detail, WIDTH, initial_indent=indent, subsequent_indent=indent, break_on_hyphens=False
    )
    lines += [line.replace(GLUE, " ") for line in wrapped]
    lines += [
        _ledger_line(name.replace("-", " "), wh, total)
        for name, wh in b.ledger_wh
        if name in reserves and (wh or name != "alternate")
    ]
    return "\n".join(lines)


def _ledger_line(name: str, wh: float, total_wh: float) -> str:
    bar = "█" * min(round(46 * abs(wh) / total_wh), 60)
    figure = f"{name:<16}{wh:>8.0f} Wh {100 * wh / total_wh:>6.1f} %  "
    return figure + (click.style(bar, fg="red") if wh < 0.0 else bar)


def _legs(b: Budget) -> str:
    head = ("leg", "phase", "end", "min", "km", "m/s", "Wh", "left Wh", "%", "V/cell")
    rows, leg = [], ""
    for r in b.rows:
        empty = r.left_wh <= 0.0
        rows.append(
            (
                "" if r.leg == leg else clip(r.leg, 22),
                r.phase,
                clock(r.end_s),
                f"{r.seconds / 60:.1f}",
                f"{r.distance_m / 1000:.1f}" if r.distance_m else "",
                f"{r.ground_mps:.1f}" if r.distance_m else "",
                f"{r.used_wh:.1f}",
                "empty" if empty else f"{r.left_wh:.0f}",
                "" if empty else f"{100 * r.charge:.0f}",
                "" if empty else f"{r.cell_v:.2f}",
            )
        )
        leg = r.leg
    title = heading("Legs", "charge and voltage at the end of each, the voltage under its load")
    return title + "\n" + table(head, rows, left=2)


def _returns(b: Budget) -> str:
    names = "turn at,after,km out,home min,headwind,needs Wh,lands with,reserve +,hover V,chance"
    head = names.split(",")
    policy = b.flight.policy
    reserve = kept_at_home_wh(policy)
    rows = [
        (
            clip(t.waypoint, 20),
            clock(t.after_s),
            f"{t.distance_home_m / 1000:.1f}",
            f"{t.seconds / 60:.0f}",
            f"{t.head_mps:+.1f}",
            f"{t.needed_wh:.0f}",
            f"{t.landing_wh:.0f}" if t.landing_wh > 0.0 else "empty",
            f"{t.landing_wh - reserve:+.0f}",
            f"{t.hover_v:.2f}" if t.landing_wh > 0.0 else "-",
            percent(t.chance),
        )
        for t in b.turns
    ]
    note = f"final reserve {policy.final_reserve_wh:.0f} Wh"
    if policy.alternate_wh:
        note += f", alternate leg {policy.alternate_wh:.0f} Wh"
    title = heading("Home from every route point", note)
    return title + "\n" + table(head, rows, left=1)


def _alternates(b: Budget) -> str:
    if not b.flight.alternates:
        return ""
    head = ("from", "site", "km", "min", "needs Wh", "lands with", "covered")
    rows, last = [], ""
    for t in b.turns:
        for a in t.alternates:
            rows.append(
                (
                    "" if t.waypoint == last else clip(t.waypoint, 20),
                    clip(a.site, 24),
                    f"{a.distance_m / 1000:.1f}",
                    f"{a.seconds / 60:.0f}",
                    f"{a.needed_wh:.0f}",
                    f"{a.landing_wh:.0f}" if a.landing_wh > 0.0 else "empty",
                    "yes" if a.covered else "no",
                )
            )
            last = t.waypoint
    return heading("Alternates", "on paper, flown as the return") + "\n" + table(head, rows, left=2)


def _variants(title: str, variants: Sequence[Variant], policy: Policy) -> str:
    """What must be kept is a column only where it changes too."""
    if not variants:
        return ""
    keeps = keeps_change(variants, policy)
    head = ("", "lands with", "change", *(["must keep"] if keeps else []), *WHOLE_PLAN)
    rows = [
        (
            clip(v.name, 42),
            f"{v.landing_wh:.0f} Wh" if v.landing_wh > 0.0 else "empty",
            f"{v.gain_wh:+.0f} Wh",
            *([f"{v.kept_wh:.0f} Wh"] if keeps else []),
            percent(v.completion),
            clock(v.turn_back_safe_s) if math.isfinite(v.turn_back_safe_s) else "not within plan",
        )
        for v in variants
    ]
    return heading(title) + "\n" + table(head, rows, left=1)


def keeps_change(variants: Sequence[Variant], policy: Policy) -> bool:
    """Whether any of them must land with other reserves than the plan itself."""
    base_wh = kept_at_home_wh(policy)
    return any(abs(v.kept_wh - base_wh) > 0.5 for v in variants)


def _findings(b: Budget) -> str:
    """Notes and whatever the verdict has not said already."""
    said = set(b.reasons) | set(b.conditions)
    open_ones = [f for f in b.findings if f.sentence not in said]
    if not open_ones:
        return ""
    lines = [heading("Checks")]
    for f in open_ones:
        mark = {Weight.FAULT: "!", Weight.CAUTION: "*", Weight.NOTE: "-"}[f.weight]
        lines += textwrap.wrap(
            f.sentence, WIDTH - 2, initial_indent=f"{mark} ", subsequent_indent="  "
        )
    return "\n".join(lines)


# --- small things ------------------------------------------------------------------------------


def heading(text: str, note: str = "") -> str:
    """A heading with an optional remark."""
    return click.style(text, bold=True) + (f"   {note}" if note else "")


def clock(seconds: float) -> str:
    """h:mm:ss from seconds, m:ss below an hour."""
    total = round(max(seconds, 0.0))
    hours, rest = divmod(total, 3600)
    minutes, left = divmod(rest, 60)
    return f"{hours}:{minutes:02d}:{left:02d}" if hours else f"{minutes}:{left:02d}"


def clip(text: str, width: int) -> str:
    """At most ``width`` characters."""
    return text if len(text) <= width else text[: width - 1] + "…"


def table(head: Sequence[str], rows: Sequence[Sequence[str]], left: int) -> str:
    """Columns as wide as they must be; the first ``left`` of them stand left, the others right.

    Names give way where the whole would be wider than the page.
    """
    widths = [max(len(r[i]) for r in (head, *rows)) for i in range(len(head))]
    gap = "  "
    widths[0] -= max(sum(widths) + len(gap) * (len(head) - 1) - WIDTH, 0)
    lines = []
    for number, row in enumerate((head, *rows)):
        cells = [
            clip(text, w).ljust(w) if i < left else text.rjust(w)
            for i, (text, w) in enumerate(zip(row, widths, strict=True))
        ]
        line = gap.join(cells).rstrip()
        lines.append(click.style(line, dim=True) if number == 0 else line)
    return "\n".join(lines)
