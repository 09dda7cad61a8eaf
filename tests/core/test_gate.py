"""The gate: what the standard can send and physics cannot be, for every field used."""

from __future__ import annotations

import math
from dataclasses import fields, replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from supervisor.core import events as ev
from supervisor.core.estimate import gate
from supervisor.edge.decoder import Decoder
from supervisor.edge.frames import Frame
from tests.core.flights import air, flight, position, report

PACK = flight().pack
GATES = {kind: gate.checker(rows) for kind, rows in gate.FIELDS.items()}
GATES[ev.PackReport] = gate.checker(gate.pack_fields(PACK))
GOOD: dict[type, object] = {
    ev.Position: position(1.0),
    ev.AirData: air(1.0),
    ev.Attitude: ev.Attitude(1.0, 0.1, 0.1, 3.0),
    ev.AirPressure: ev.AirPressure(1.0, 101325.0, 15.0),
    ev.WindReport: ev.WindReport(1.0, 3.0, -4.0, 0.5),
    ev.GpsQuality: ev.GpsQuality(1.0, 3, 14, 1.2),
    ev.HomeFix: ev.HomeFix(1.0, 0.7, -0.5, 8.0),
    ev.PackReport: report(1.0),
}
ALL_FIELDS = [
    (kind, field)
    for kind, rows in [*gate.FIELDS.items(), (ev.PackReport, gate.pack_fields(PACK))]
    for field in rows
]


def test_every_gate_passes_what_is_possible_untouched() -> None:
    for kind, good in GOOD.items():
        assert GATES[kind](good) is good


@pytest.mark.parametrize(("kind", "field"), ALL_FIELDS, ids=lambda v: getattr(v, "name", None))
@given(value=st.floats(allow_nan=True, allow_infinity=True))
def test_any_float_in_any_field(kind: type, field: gate.Field, value: float) -> None:
    """Possible values pass, others leave the field or, where vital, the whole observation."""
    spoilt = replace(GOOD[kind], **{field.name: value})  # type: ignore[type-var]
    clean = GATES[kind](spoilt)
    if field.low <= value <= field.high:
        assert clean is spoilt
    elif field.vital:
        assert clean is None
    else:
        assert math.isnan(getattr(clean, field.name))
        untouched = {f.name for f in fields(clean)} - {field.name}  # type: ignore[arg-type]
        assert all(getattr(clean, n) == getattr(spoilt, n) for n in untouched - {"cell_v"}
                   if getattr(spoilt, n) == getattr(spoilt, n))  # fmt: skip


@pytest.mark.parametrize(
    ("name", "value"),
    [
        # Unit traps of BATTERY_STATUS and SYS_STATUS (MAVLink common): cA for A, mV for V, c degC.
        ("current_a", 800.0 * 100.0),
        ("pack_v", 48000.0),
        ("temperature_c", 2500.0),
        ("remaining", 73.0),
        # The markers themselves, had a decoder let them through: INT16_MAX, UINT16_MAX, -1, -0.01.
        ("temperature_c", 327.67),
        ("pack_v", 65.535 * 2),
        ("remaining", -0.01),
        ("consumed_ah", -0.001),
    ],
)
def test_unit_traps_and_markers_do_not_pass(name: str, value: float) -> None:
    clean = GATES[ev.PackReport](replace(report(1.0), **{name: value}))
    assert clean is not None
    assert math.isnan(getattr(clean, name))


def test_the_standards_own_frame_of_unknowns_passes_as_unknown() -> None:
    """BATTERY_STATUS with every "not sent" value of the standard (references: row 5.5)."""
    payload = (
        b"\xff\xff\xff\xff" + b"\xff\xff\xff\xff" + b"\xff\x7f" + b"\xff\xff" * 10
        + b"\xff\xff" + b"\x00\x01\x03\xff"
    )  # fmt: skip
    frame = Frame(raw=b"\xfd", msgid=147, sysid=1, compid=1, seq=0, payload=payload)
    told = Decoder().decode(frame, 1.0)
    assert isinstance(told, ev.PackReport)
    clean = GATES[ev.PackReport](told)
    assert clean is told
    unknown = (told.pack_v, told.current_a, told.consumed_ah, told.temperature_c, told.remaining)
    assert all(math.isnan(v) for v in unknown)
    assert told.cell_v == ()


@given(st.lists(st.floats(allow_nan=True), min_size=0, max_size=16))
def test_cells_count_only_when_all_are_possible(volts: list[float]) -> None:
    kept = gate.clean_cells(tuple(volts), PACK)
    possible = len(volts) == PACK.series and all(0.5 <= v <= 4.5 for v in volts)
    assert kept == (tuple(volts) if possible else ())


def test_one_jump_is_not_believed_and_a_new_place_is() -> None:
    track, ok = gate.follow(None, 0.0, 0.0, 0.0)
    assert ok
    track, ok = gate.follow(track, 1.0, 5000.0, 0.0)
    assert not ok
    track, ok = gate.follow(track, 2.0, 42.0, 0.0)  # back where it was: nothing happened
    assert ok
    verdicts = []
    for i in range(gate.JUMPS_BELIEVED):
        track, ok = gate.follow(track, 3.0 + i, 9000.0 + 20.0 * i, 0.0)
        verdicts.append(ok)
    assert verdicts == [False] * (gate.JUMPS_BELIEVED - 1) + [True]
