"""Telemetry of an aircraft that takes off, to UDP port 14550, for so many seconds."""

from __future__ import annotations

import socket
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "system"))

from airframe import Airframe


def main(seconds: float) -> None:
    airframe, begun_s = Airframe(), time.monotonic()
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
        for tick in range(round(seconds * 5)):
            for frame in airframe.frames(10.0 + tick / 5):
                out.sendto(frame, ("127.0.0.1", 14550))
            time.sleep(max(0.0, begun_s + tick / 5 - time.monotonic()))


if __name__ == "__main__":
    main(float(sys.argv[1]))
