"""Frames of one aircraft as autopilots send them, made by the reference library."""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import Any

from pymavlink.dialects.v20 import common

Send = Callable[[Any, int], None]


def _used(rng: random.Random) -> list[tuple[int, Send]]:
    """What the supervisor asks for, with how often each is sent."""
    u, n = rng.uniform, rng.randint
    cells = lambda: [n(3500, 4200) for _ in range(6)] + [0xFFFF] * 4  # noqa: E731
    return [
        (10, lambda m, t: m.global_position_int_send(
            t, n(4 * 10**8, 5 * 10**8), n(-(10**8), 10**8), 10**5, 9 * 10**4,
            n(-2000, 2000), n(-2000, 2000), n(-200, 200), n(0, 36000))),
        (10, lambda m, _: m.vfr_hud_send(
            u(15, 25), u(15, 25), n(0, 360), n(0, 100), u(0, 120), u(-3, 3))),
        (10, lambda m, _: m.battery_status_send(
            0, 1, 1, 2500, cells(), n(0, 9000), n(0, 19000), -1, 50, 0, 0, [0] * 4)),
        (4, lambda m, t: m.attitude_send(t, u(-1, 1), u(-1, 1), u(-3, 3), 0.1, 0.1, 0.1)),
        (4, lambda m, _: m.extended_sys_state_send(4, 2)),
        (2, lambda m, _: m.sys_status_send(1, 1, 1, 500, 44000, 1500, 50, 0, 0, 0, 0, 0, 0)),
        (2, lambda m, t: m.system_time_send(17 * 10**14, t)),
        (2, lambda m, t: m.gps_raw_int_send(
            t, 3, 4 * 10**8, 10**8, 100, 100, 100, 100, 100, 12, 100, 1000, 1000, 100, 0, 0)),
        (2, lambda m, t: m.scaled_pressure_send(t, u(900, 1013), 1.0, 1500)),
        (2, lambda m, t: m.wind_cov_send(t, u(-9, 9), u(-9, 9), 0, 0.1, 0.1, 100, 0.5, 0.5)),
        (2, lambda m, _: m.mission_current_send(3)),
        (2, lambda m, _: m.heartbeat_send(22, 0, 0x80, 0, 4)),
    ]  # fmt: skip


def _unused(rng: random.Random) -> list[tuple[int, Send]]:
    """What an autopilot commonly sends besides, for others on the link."""
    u = rng.uniform
    return [
        (15, lambda m, t: m.attitude_quaternion_send(t, u(-1, 1), 0, 0, 0, 0.1, 0.1, 0.1)),
        (15, lambda m, t: m.highres_imu_send(t, u(-1, 1), 1, 1, 1, 1, 1, 0, 0, 0, 1, 1, 1, 1, 1)),
        (10, lambda m, t: m.servo_output_raw_send(t, 0, *[1500] * 8)),
        (10, lambda m, t: m.local_position_ned_send(t, u(0, 1), u(0, 1), u(0, 1), 0, 0, 0)),
    ]


def stream(count: int, *, with_unused: bool, seed: int = 1) -> list[bytes]:
    """Frames of one aircraft, made by the reference library."""
    rng, frames = random.Random(seed), list[bytes]()

    class Sink:
        def write(self, data: bytes) -> None:
            frames.append(bytes(data))

    mav = common.MAVLink(Sink(), srcSystem=1, srcComponent=1)
    mix = _used(rng) + (_unused(rng) if with_unused else [])
    kinds = rng.choices([send for _, send in mix], [weight for weight, _ in mix], k=count)
    for number, send in enumerate(kinds):
        send(mav, number * 10)
    return frames
