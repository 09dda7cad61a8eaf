"""Forwards IP packets between two TUN devices, late and not all. ``badlink.py FD FD``.

One JSON object a line on standard input changes it (``delay_s``, ``loss``: each direction); each
is answered with the counts so far. Ends with its input. Losses come from a fixed seed.
"""

from __future__ import annotations

import heapq
import json
import os
import random
import select
import sys
import time


def main(ends: tuple[int, int]) -> None:
    draw = random.Random(1)
    delay_s = loss = 0.0
    waiting: list[tuple[float, int, int, bytes]] = []
    count = {"packets": 0, "lost": 0, "bytes": 0}
    while True:
        pause = max(waiting[0][0] - time.monotonic(), 0.0) if waiting else None
        ready, _, _ = select.select([*ends, sys.stdin], [], [], pause)
        now = time.monotonic()
        for source in ready:
            if source is sys.stdin:
                line = sys.stdin.readline()
                if not line:
                    return
                order = json.loads(line)
                delay_s, loss = order.get("delay_s", delay_s), order.get("loss", loss)
                print(json.dumps(count), flush=True)
                continue
            packet = os.read(source, 65536)
            if packet[0] >> 4 != 4:
                continue  # the kernel's own IPv6 chatter
            count["packets"] += 1
            count["bytes"] += len(packet)
            if draw.random() < loss:
                count["lost"] += 1
                continue
            other = ends[1] if source == ends[0] else ends[0]
            heapq.heappush(waiting, (now + delay_s, count["packets"], other, packet))
        while waiting and waiting[0][0] <= now:
            _, _, target, packet = heapq.heappop(waiting)
            try:
                os.write(target, packet)
            except OSError:
                count["lost"] += 1  # the interface is down


if __name__ == "__main__":
    main((int(sys.argv[1]), int(sys.argv[2])))
