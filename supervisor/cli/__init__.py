"""The ``homeleg`` command: one verb a module, imported only when it is called.

``homeleg --help`` must answer at once on a small computer, so a verb's module (and all that
it pulls in) is loaded when that verb is asked for and not before.
"""

from __future__ import annotations

import importlib
import sys
from typing import Any

import click

from supervisor import __version__
from supervisor.errors import InputError

VERBS: dict[str, str] = {
    "budget": "before the flight: ledger, turn-back point, go or no-go",
    "doctor": "checks what a tired person forgets, before the take-off",
    "run": "the daemon aboard",
    "watch": "live advisories on a laptop",
    "arm": "arm or stop the optional return request of one flight",
    "replay": "a recording through the same core, fast",
    "debrief": "after the flight: planned against flown, and why",
    "calibrate": "your aircraft's and pack's figures from flights, old against new",
    "recording": "list, trim, merge, export and share recordings",
    "logbook": "packs over their flights; is the next sortie on?",
    "demo": "a simulated flight from take-off to landing, in under two minutes",
    "fly": "the simulator alone, over real links",
    "keys": "certificates and signing keys for a fleet, by one command",
    "campaign": "many simulated flights, judged by their truth",
}
# These live in the simulator's package, and are found by name: nothing here imports it.
SIMULATED = ("demo", "fly", "campaign")


def load(verb: str) -> click.Command:
    """The command of one of ``VERBS``."""
    package = "sim.cli" if verb in SIMULATED else __name__
    command: click.Command = importlib.import_module(f"{package}.{verb}").command
    return command


class Verbs(click.Group):
    """A click group whose commands are modules, here or in ``sim.cli``, loaded on demand."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        return list(VERBS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        return load(cmd_name) if cmd_name in VERBS else None

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        # From the table, so that help imports no verb.
        with formatter.section("Verbs"):
            formatter.write_dl(list(VERBS.items()))


@click.command(
    cls=Verbs,
    epilog="Homeleg advises. The remote pilot decides; local rules and the licence bind.",
)
@click.version_option(__version__, prog_name="homeleg")
def group() -> None:
    """Does the charge that is left still cover the way home?"""


def main(argv: list[str] | None = None) -> Any:
    """Run the command line; exit 0 good, 1 the answer is no, 2 wrong input, 3 an internal fault."""
    try:
        code = group.main(args=argv, prog_name="homeleg", standalone_mode=False)
    except InputError as error:
        click.echo(f"homeleg: {error}", err=True)
        sys.exit(2)
    except click.ClickException as error:
        error.show()
        sys.exit(2)
    except click.Abort:
        sys.exit(130)
    except Exception as error:  # the last net: a tired pilot gets a sentence, not a traceback
        click.echo(f"homeleg: internal fault: {type(error).__name__}: {error}", err=True)
        sys.exit(3)
    sys.exit(code if isinstance(code, int) else 0)
