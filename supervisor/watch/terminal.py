"""The same for a terminal: what the page says, drawn with characters. Drawing only."""

from __future__ import annotations

from datetime import UTC, datetime

from rich.console import Group, RenderableType
from rich.rule import Rule
from rich.table import Table
from rich.text import Text

from supervisor.watch import glyphs, words
from supervisor.watch.freshness import spell
from supervisor.watch.listener import Listener
from supervisor.watch.said import Said
from supervisor.watch.traces import Point
from supervisor.watch.view import Row, View, row, urgency, view

# Red is for warnings, amber for cautions, neither for anything else; the mark says it too.
LEVEL = {
    "normal": ("( )", "bold"),
    "advisory": ("<i>", "bold"),
    "caution": ("/!\\", "bold black on rgb(255,179,0)"),
    "warning": ("[!]", "bold white on rgb(163,0,27)"),
}
PAST = ("---", "dim")  # no level's own mark: what has ended must not look live
STALE = "bold reverse"
LEDGER_NAMES = {"final-reserve": "reserve", "extra": "left over"}
LISTED = 6
STRIP_ROWS = 5


def screen(
    listener: Listener, chosen: str, cursor: int, units: str, width: int, note: str = ""
) -> RenderableType:
    """Everything on the screen now: one aircraft, or all as rows."""
    now_s, lost_s = listener.clock(), listener.lost_s
    rows = sorted((row(p, now_s, lost_s) for p in listener.pictures.values()), key=urgency)
    name = chosen or (rows[0].aircraft if len(rows) == 1 else "")
    parts: list[RenderableType] = []
    if lost_s is not None:
        parts.append(Text(f" No broker for {spell(now_s - lost_s)}. Trying again. ", STALE))
    if name in listener.pictures:
        picture = listener.pictures[name]
        parts += one(view(picture, now_s, lost_s), picture.history, now_s, units, width)
    else:
        parts += fleet(rows, cursor)
    if note:
        parts.append(Text(note, "bold"))
    parts.append(Text("Homeleg advises; the remote pilot decides. Keys: arrows, Enter, Esc, "
                      "a acknowledge, u units, q quit", "dim"))  # fmt: skip
    return Group(*parts)


# -- one aircraft ---------------------------------------------------------------------------------


def one(
    v: View, history: tuple[Point, ...], now_s: float, units: str, width: int
) -> list[RenderableType]:
    """The full screen of one aircraft."""
    parts: list[RenderableType] = [_head(v, now_s), _verdict(v, width)]
    parts += [Text(f" {line}", "bold underline") for line in v.aboard]
    big, caption = words.figure_words(v.figure)
    lines = glyphs.big(big)
    style = "bright_black" if v.figure.reckoned else "bold"
    parts += [Text(), Text("\n".join([*lines[:-1], f"{lines[-1]}  {caption}"]), style), Text()]
    confidence = v.plan["confidence"] if v.plan else None
    parts.append(Text(words.spread_words(v.figure, confidence)))
    # A low terminal cuts off what stands last, so the advisories stand before the reasons.
    parts += _rope(v, now_s, width) + _advisories(v) + _ledger(v, width)
    parts += _strip(v, history, now_s, width)
    parts += _why(v) + _where(v, units)
    return parts


def _head(v: View, now_s: float) -> Text:
    fresh = v.freshness
    age = "age unknown" if fresh.age_s is None else f"{spell(fresh.age_s)} old"
    live = fresh.state == "live"
    after = "" if fresh.next_s is None else f", next within {spell(fresh.next_s)}"
    said = f"Live, figures {age}{after}." if live else f"{fresh.sentence} Figures {age}."
    if v.set_aside:
        said += f" {v.set_aside} messages without a good signature were set aside."
    date = datetime.fromtimestamp(now_s, UTC)
    clock = f"{date:%H:%M:%S} UTC"
    if date.astimezone().utcoffset():
        clock += f" · {date.astimezone():%H:%M:%S} here"
    name = " ".join(filter(None, [v.title, v.phase.replace("-", " ")]))
    return Text.assemble((v.aircraft, "bold"), f"  {name}  ", (f" {said} ", STALE if fresh.stale
                         else "bold"), f"  {clock}")  # fmt: skip


def _verdict(v: View, width: int) -> Text:
    mark, style = LEVEL[v.level]
    if v.freshness.stale and v.level in ("normal", "advisory") and v.figure.kind != "landed":
        mark = "(/)"
    text = v.sentence.removeprefix(f"{v.word}: ")
    verdict = Text(f" {mark} {v.word.upper()}  {text}", style)
    verdict.pad_right(max(width - len(verdict), 0))
    return verdict


def _rope(v: View, now_s: float, width: int) -> list[RenderableType]:
    if v.figure.kind != "turn" or v.figure.minutes is None:
        return []
    known = [m for m in v.figure.spread_min if m is not None]
    end = max(10.0, v.figure.minutes, *known) * 1.05
    room = width - 2
    line, solid, _ = glyphs.rope(room, end, v.figure.minutes, v.figure.spread_min)
    label = f"▼ turn by {words.turn_clock(now_s, v.figure.minutes)} UTC"
    left = min(solid, max(room - len(label), 0))
    style = "bright_black" if v.figure.reckoned else "cyan"
    scale = f"now{f'{end:.0f} min':>{room - 3}}"
    return [Text(" " * left + label, "bold"), Text(line, style), Text(scale, "dim")]


def _strip(v: View, history: tuple[Point, ...], now_s: float, width: int) -> list[RenderableType]:
    """The margin that turning at each moment left, and would leave, with what was advised when."""
    now_t = (v.t_s or 0.0) + (v.freshness.age_s or 0.0)
    columns = [glyphs.Column(p.t_s, p.p05_wh, p.p95_wh) for p in history]
    ahead = v.status["ahead"] if v.status else []
    columns += [glyphs.Column((v.t_s or 0.0) + 60.0 * m, low, high) for m, low, _, high in ahead]
    if len(columns) < 2:
        return []
    span, room = (columns[0].t_s, columns[-1].t_s), width - 2
    marks = [" "] * room
    for a in v.advisories:
        if a.t_s >= span[0]:
            marks[glyphs.place(span, a.t_s, room)] = "!" if a.level == "warning" else "^"
    if v.figure.kind == "turn" and v.figure.minutes is not None:
        marks[glyphs.place(span, now_t + 60.0 * v.figure.minutes, room)] = "▼"
    rows = glyphs.strip(columns, span, now_t, room, STRIP_ROWS)
    scale = [f"{datetime.fromtimestamp(now_s + t - now_t, UTC):%H:%M}" for t in span]
    at = min(max(glyphs.place(span, now_t, room), 6), room - 9)
    axis = f"{scale[0]:<{at}}now".ljust(room - 5) + scale[1]
    top = max(column.high for column in columns)
    rule = Rule(f"margin if it turned then, from the reserve up to {top:.0f} Wh: █ sure, ░ likely, "
                "▒ to come, ▼ the turn", align="left", style="dim")  # fmt: skip
    return [rule, Text("".join(marks), "bold"), Text("\n".join(rows), "cyan"), Text(axis, "dim")]


def _ledger(v: View, width: int) -> list[RenderableType]:
    """Two bars on one scale, and every term in words with its spread."""
    status = v.status
    if status is None or not status["ledger_wh"]:
        return []
    actual: dict[str, float] = status["ledger_wh"]
    planned: dict[str, float] = status["planned_wh"]
    room = width - 10
    total = max(sum(max(x, 0.0) for x in terms.values()) for terms in (actual, planned) if terms)
    if_turned = "" if v.figure.kind == "home" else ", if it turned now"
    rule = Rule(f"energy from now to landing{if_turned}, Wh", align="left", style="dim")
    parts: list[RenderableType] = [rule]
    for name, terms in (("planned", planned), ("now", actual)):
        if terms:
            parts.append(_bar(name, terms, total, room))
    sd: dict[str, float] = status["ledger_sd_wh"]
    spelled = [
        f"{LEDGER_NAMES.get(key, key)} {words.whole(wh)}"
        + (f"±{sd[key]:.{int(sd[key] < 0.95)}f}" if sd.get(key) else "")
        + (f" (planned {words.whole(planned[key])})" if key in planned else "")
        for key, wh in actual.items()
        if abs(wh) >= 0.5 or abs(planned.get(key, 0.0)) >= 0.5
    ]
    parts.append(Text(", ".join(spelled)))
    return parts


FILLS = {
    "contingency": ("╱", "white"),
    "alternate": (":", "white"),
    "final-reserve": (" ", "black on white"),
    "extra": ("·", ""),
}
PHASE_FILLS = ((" ", "black on cyan"), (" ", "black on bright_cyan"))


def _bar(name: str, terms: dict[str, float], total: float, room: int) -> Text:
    """Each term as long as its energy, with its name in it where there is room."""
    bar = Text(f"{name:<9}", "bold")
    columns = glyphs.shares(room, list(terms.values()), total)
    for i, (key, wide) in enumerate(zip(terms, columns, strict=True)):
        fill, style = FILLS.get(key, PHASE_FILLS[i % 2])
        label = LEDGER_NAMES.get(key, key)
        bar.append(label.center(wide, fill) if wide > len(label) else fill * wide, style)
    return bar


def _why(v: View) -> list[RenderableType]:
    why: dict[str, float] = v.status["why_wh"] if v.status else {}
    worth = sorted(((k, x) for k, x in why.items() if abs(x) >= 0.5), key=lambda i: -abs(i[1]))
    if not worth:
        return []
    listed = ", ".join(f"{key.replace('-', ' ')} {words.signed(-wh)}" for key, wh in worth)
    rule = Rule("what ate the margin, the way home included, Wh", align="left",
                style="dim")  # fmt: skip
    total = f"{listed}; together {words.signed(-sum(why.values()))}"
    if any(a.active and a.condition == "headwind-home" for a in v.advisories):
        total += "; wind is the whole flight's, the head wind advisory counts the way home only"
    return [rule, Text(total)]


def _where(v: View, units: str) -> list[RenderableType]:
    if v.status is None:
        return []
    said = []
    wind, place, where = v.status["wind"], v.status["turn_back_place"], v.status["where"]
    if where and v.figure.kind != "landed":
        said.append(f"flies {where['track_deg']:03.0f}° at "
                    f"{words.speed(where['groundspeed_mps'], units)}, "
                    f"{words.height(where['height_m'], units)} above home")  # fmt: skip
    if wind:
        said.append(f"wind from {wind['from_deg']:03.0f}° {words.speed(wind['speed_mps'], units)} "
                    f"± {words.speed(wind['sd_mps'], units)}")  # fmt: skip
    if place and v.figure.kind == "turn":
        said.append(f"turn-back point {words.distance(place['along_km'], units)} ahead, "
                    f"{words.distance(place['distance_home_km'], units)} from home")  # fmt: skip
    said += [f"{a['name']} {words.chance(a['covered'])}" for a in v.status["alternates"]]
    if v.return_request and not v.aboard:
        said.append(f"return request {v.return_request}")
    return [Rule("where", align="left", style="dim"), Text("; ".join(said))] if said else []


def _advisories(v: View) -> list[RenderableType]:
    parts: list[RenderableType] = [Rule("advisories", align="left", style="dim")]
    if v.missing:
        numbers = ", ".join(map(str, v.missing[:6]))
        parts.append(Text(f"Not arrived here (yet): number {numbers}."))
    shown = v.advisories[:LISTED]
    now_t = (v.t_s or 0.0) + (v.freshness.age_s or 0.0)
    parts += [_advisory(a, now_t) for a in shown] or [Text("None so far.", "dim")]
    return parts


def _advisory(a: Said, now_t: float) -> Text:
    mark, style = LEVEL[a.level] if a.active else PAST
    line = Text.assemble((f" {mark} ", style), " ")
    what = a.condition.replace("-", " ")
    line.append(f"{what if a.active else f'past {a.level}: {what}'} ({_when(a, now_t)}): "
                f"{a.sentence}", "bold" if a.active else "dim")  # fmt: skip
    if a.trust == "unverified":
        line.append(" NOT VERIFIED", STALE)
    for by, utc, trust in a.acked:
        mark = " (not verified)" if trust == "unverified" else ""
        line.append(f" Acknowledged by {by}{mark}{' at ' + utc[11:19] if utc else ''}.")
    return line


def _when(a: Said, now_t: float) -> str:
    """Since when; and of what still holds, how old its figures are."""
    began = f"{spell(now_t - a.t_s)} ago"
    if a.until_s is not None:
        return f"{began}, for {spell(a.until_s - a.t_s)}"
    if not a.active or a.said_s <= a.t_s:
        return began
    return f"since {spell(now_t - a.t_s)}, said {spell(now_t - a.said_s)} ago"


# -- many -----------------------------------------------------------------------------------------


def fleet(rows: list[Row], cursor: int) -> list[RenderableType]:
    """One line an aircraft, the most urgent on top."""
    if not rows:
        return [Text("No aircraft has been heard yet.", "bold")]
    table = Table(box=None, expand=True, pad_edge=False, show_header=False)
    for least in (1, 14, 12, 27, None, 14):
        ratio = None if least else 1  # the sentence takes the room that is left
        table.add_column(min_width=least, ratio=ratio, no_wrap=True, overflow="ellipsis")
    for index, r in enumerate(rows):
        mark, style = LEVEL[r.level]
        big, caption = words.figure_words(r.figure)
        age = "age unknown" if r.freshness.age_s is None else f"{spell(r.freshness.age_s)} old"
        table.add_row(
            Text(">" if index == cursor else " ", "bold"),
            Text(f" {mark} {r.word} ", style), Text(r.aircraft, "bold"),
            Text(f"{big} {caption}", "bright_black" if r.figure.reckoned else "bold"),
            Text(" ".join([*r.aboard, r.sentence])), Text(age, STALE if r.freshness.stale else ""),
        )  # fmt: skip
    return [Text("Aircraft, most urgent first", "bold"), table]
