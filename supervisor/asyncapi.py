"""The AsyncAPI document and the JSON Schemas, generated from the published models.

``python -m supervisor.asyncapi`` prints the document; with ``--write`` it renews the shipped
files in ``supervisor/data``. A test fails when they are not what the models generate.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from pydantic.json_schema import models_json_schema

from supervisor import messages

DATA = Path(__file__).resolve().parent / "data"
DIALECT = "https://json-schema.org/draft/2020-12/schema"
SCHEMA_FORMAT = "application/schema+json;version=draft-2020-12"


@dataclass(frozen=True, slots=True)
class Leaf:
    """One topic below ``homeleg/v1/<aircraft>/``. ``send``: the aircraft publishes it."""

    name: str
    model: type[messages.Message]
    action: Literal["send", "receive"]
    qos: Literal[0, 1]
    retain: bool
    squeezed: bool
    about: str


LEAVES = (
    Leaf(
        "status", messages.Status, "send", 0, True, True,
        "The latest belief and the four numbers. Silence beyond next_s is a fault, not calm. "
        "Whole ones are retained and come at least every two minutes; with MQTT 5 they expire "
        "after an hour. Those in between may come as differences.",
    ),
    Leaf(
        "advisory", messages.Advisory, "send", 1, False, False,
        "One condition begun, changed or ended. Never lost; ordered by flight and seq. May come "
        "twice: drop what has the same flight and seq.",
    ),
    Leaf("plan", messages.Plan, "send", 1, True, True, "What was planned, once a flight."),
    Leaf("track", messages.Track, "send", 0, False, True, "Recent positions, delta coded."),
    Leaf(
        "presence", messages.Presence, "send", 1, True, True,
        "Online with a beat; offline when stopped, or by the last will (unsigned) when lost.",
    ),
    Leaf(
        "history", messages.History, "send", 0, True, True,
        "The flight so far: the margin and the way once a minute, and what was advised. Renewed "
        "every five minutes and after each advisory.",
    ),
    Leaf("health", messages.Health, "send", 0, True, True, "How the daemon is."),
    Leaf(
        "ack", messages.Ack, "receive", 1, False, False,
        "A person has read an advisory. Signed by that person; the aircraft takes it within half "
        "an hour of the advisory, once.",
    ),
    Leaf(
        "return", messages.ReturnWish, "receive", 1, False, False,
        "A person arms or stops the optional return request, which is off unless the flight file "
        "allows it. Counts only when signed by a known person, for this flight.",
    ),
)  # fmt: skip

_SQUEEZED = (
    " The payload may be squeezed: when its first byte is 0x01 the rest is a raw deflate stream "
    "(RFC 1951) with the preset dictionary shipped as words-1.txt; else it is the JSON itself."
)
_DIFFERENCES = (
    " When its first byte is 0x02 it is told as differences from the last whole status: CRC-32 of "
    "the text that it stands for (4 bytes, highest first); 64 bytes of signature if the whole one "
    "was signed; then a raw deflate stream of entries, one for each number -?digits[.digits] of "
    "the text before the signature's value, in order. An entry is the difference to the number at "
    "the same place, in its last decimals, zigzag coded (0, -1, 1, -2 as 0, 1, 2, 3): one byte "
    "below 240, or 239 + n and n bytes, highest first. Before it may stand 255 and the count of "
    "decimals, when that has changed (the earlier number is brought to it first, rounded down), "
    "and then 254, when zeros fill the number up to as many digits before the point as the "
    "earlier has. A single 0 repeats the number as it was. Drop what does not fit its CRC-32: the "
    "next whole one comes soon."
)
_ABOUT = (
    "Does the charge that is left still cover the way home? Homeleg advises; the remote pilot "
    "decides. Payloads are UTF-8 JSON. A signed message has one more member, the last: "
    '"signature", whose value is Ed25519 (RFC 8032) over the bytes '
    "'homeleg/v1' LF topic LF boot LF order LF message, the message being the payload without "
    "that member."
)


def document() -> dict[str, Any]:
    """AsyncAPI 3.0.0, from the aircraft's point of view."""
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "Homeleg",
            "version": f"{messages.SCHEMA}.0.0",
            "description": _ABOUT,
            "license": {"name": "Apache-2.0"},
        },
        "defaultContentType": "application/json",
        "channels": {leaf.name: _channel(leaf) for leaf in LEAVES},
        "operations": {f"{leaf.action}-{leaf.name}": _operation(leaf) for leaf in LEAVES},
        "components": {
            "messages": {leaf.name: _message(leaf) for leaf in LEAVES},
            "schemas": _schemas("#/components/schemas/{model}"),
        },
    }


def schema(leaf: str) -> dict[str, Any]:
    """The self-contained JSON Schema of one topic's messages."""
    model = next(row.model for row in LEAVES if row.name == leaf)
    found = model.model_json_schema(mode="serialization")
    return {"$schema": DIALECT, **found}


def _channel(leaf: Leaf) -> dict[str, Any]:
    about = leaf.about + (_SQUEEZED if leaf.squeezed else "")
    about += _DIFFERENCES if leaf.model is messages.Status else ""
    return {
        "address": f"{messages.TOPIC_ROOT}/{{aircraft}}/{leaf.name}",
        "description": about,
        "parameters": {"aircraft": {"description": "letters, digits, - and _; at most 64"}},
        "messages": {leaf.name: {"$ref": f"#/components/messages/{leaf.name}"}},
    }


def _operation(leaf: Leaf) -> dict[str, Any]:
    return {
        "action": leaf.action,
        "channel": {"$ref": f"#/channels/{leaf.name}"},
        "messages": [{"$ref": f"#/channels/{leaf.name}/messages/{leaf.name}"}],
        "bindings": {
            "mqtt": {"qos": leaf.qos, "retain": leaf.retain, "bindingVersion": "0.2.0"},
        },
    }


def _message(leaf: Leaf) -> dict[str, Any]:
    return {
        "name": leaf.name,
        "title": leaf.model.__name__,
        "contentType": "application/json",
        "payload": {
            "schemaFormat": SCHEMA_FORMAT,
            "schema": {"$ref": f"#/components/schemas/{leaf.model.__name__}"},
        },
    }


def _schemas(reference: str) -> dict[str, Any]:
    wanted = [(leaf.model, "serialization") for leaf in LEAVES]
    _, found = models_json_schema(wanted, ref_template=reference)  # type: ignore[arg-type]
    schemas: dict[str, Any] = found["$defs"]
    return schemas


def shipped() -> dict[Path, str]:
    """Every generated file and what should be in it."""
    files = {DATA / "asyncapi.json": _text(document())}
    for leaf in LEAVES:
        files[DATA / "schema" / f"{leaf.name}.json"] = _text(schema(leaf.name))
    return files


def _text(value: dict[str, Any]) -> str:
    return json.dumps(value, indent=1, ensure_ascii=False) + "\n"


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(prog="supervisor.asyncapi", description=__doc__)
    parser.add_argument("--write", action="store_true", help="renew the shipped files")
    if not parser.parse_args().write:
        print(_text(document()), end="")
        return
    for path, text in shipped().items():
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
        print(path)


if __name__ == "__main__":
    main()
