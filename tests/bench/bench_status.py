"""A status to its bytes on the wire, against json.dumps of the same mapping."""

from __future__ import annotations

import json
from functools import partial

from supervisor.edge.envelope import Envelope
from supervisor.messages import Status
from tests.bench.row import Form, Growth, Row, cpu_s
from tests.edge import examples


def rows(form: Form) -> list[Row]:
    """Encoding, and encoding with what a paid link asks for; sizes are statuses."""
    sizes = form.pick((10, 20, 40), (250, 500, 1_000))
    statuses = [examples.status(float(t)) for t in range(sizes[-1])]
    assert all(json.loads(s.payload()) == _mapping(s) for s in statuses[:10]), "not the same JSON"
    mappings = [_mapping(status) for status in statuses]
    costs = [cpu_s(partial(_payloads, statuses[:size]))[0] for size in sizes[:-1]]
    dumped = partial(_dumps, mappings)
    ours, reference = cpu_s(partial(_payloads, statuses), dumped)
    packed, reference_2 = cpu_s(partial(_packed, statuses), dumped)
    each_us = 1e6 / sizes[-1]
    size = sum(len(s.payload()) for s in statuses) / len(statuses)
    growth = Growth("statuses", sizes, (*costs, ours))
    against = "json.dumps of the same mapping, made before"
    return [
        Row("status to JSON", ours * each_us, "CPU us", reference * each_us, against,
            growth=growth, note=f"{size:,.0f} bytes"),
        Row("status to the wire, as differences, compressed", packed * each_us, "CPU us",
            reference_2 * each_us, against, note=_bytes_note(statuses)),
    ]  # fmt: skip


def _mapping(status: Status) -> dict[str, object]:
    found: dict[str, object] = status.model_dump(mode="json", exclude={"signature"})
    return found


def _payloads(statuses: list[Status]) -> None:
    for status in statuses:
        status.payload()


def _dumps(mappings: list[dict[str, object]]) -> None:
    for mapping in mappings:
        json.dumps(mapping).encode()


def _packed(statuses: list[Status]) -> int:
    envelope = Envelope("saltmere-1", None, 1, True)
    return sum(len(envelope.status(s, whole=n % 60 == 0)[0]) for n, s in enumerate(statuses))


def _bytes_note(statuses: list[Status]) -> str:
    return f"{_packed(statuses) / len(statuses):,.0f} bytes each, every 60th whole"
