"""``homeleg demo``: the whole of it, simulated, in under two minutes."""

from __future__ import annotations

import asyncio
import tempfile
from pathlib import Path

import click

from supervisor.cli.ranges import Decimal
from supervisor.extras import need


@click.command(short_help="a simulated flight from take-off to landing, in under two minutes")
@click.option("--seed", type=click.IntRange(min=0), default=1, show_default=True)
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), metavar="DIR",
              help="where flight.mcap, advisories.jsonl and summary.json go")  # fmt: skip
@click.option("--broker", default="", metavar="URL", help="an installed broker: mqtt://HOST:PORT")
@click.option("--scenario", default="estuary", show_default=True, metavar="NAME")
@click.option("--rate", type=Decimal(min=1.0, max=1000.0), default=90.0, show_default=True,
              help="times real time, at most")  # fmt: skip
def command(seed: int, out: Path | None, broker: str, scenario: str, rate: float) -> int:
    """Fly the gauge round: out with the wind, home against it.

    A simulated aircraft speaks MAVLink over UDP, the daemon listens and publishes, a pilot watches
    from a broker and turns back when advised. Needs no broker, no browser, no root.
    """
    if not broker:
        need("the embedded broker", "demo")
    import aiomqtt

    from sim.demo import Demo, show
    from sim.demo_screen import Screen
    from sim.plan import ScenarioError
    from supervisor.errors import InputError

    folder = out or Path(tempfile.mkdtemp(prefix="homeleg-demo-"))
    try:
        return asyncio.run(show(Demo(scenario, seed, rate, broker, folder), Screen()))
    except asyncio.CancelledError:
        return 130
    except ScenarioError as error:
        raise InputError(scenario, str(error)) from None
    except aiomqtt.MqttError as error:
        raise InputError(broker or "embedded broker", f"cannot be used: {error}") from None
