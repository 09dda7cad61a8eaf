"""The terminal screen in a real tmux, with a real broker, and its face for machines."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from brokers import plain
from patience import PATIENCE_S, allowed
from watching import REPOSITORY, Voice, until

sys.path.insert(0, str(Path(__file__).parents[1] / "watch"))
from scripted import TURN_T, Story

pytestmark = pytest.mark.system
STORY = Story()


class Scene:
    """A broker and a voice."""

    def __init__(self, folder: Path) -> None:
        self.broker = plain(folder / "broker").start()
        self.voice = Voice(self.broker.port)
        self.voice.say(STORY.plan())
        self.voice.say(STORY.presence())

    def command(self, *extra: str) -> list[str]:
        address = f"mqtt://127.0.0.1:{self.broker.port}"
        watch = [sys.executable, "-m", "supervisor", "watch", "--broker", address, "--forget"]
        return [*watch, "--name", "Ada", *extra]

    def run(self, *extra: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            self.command(*extra), capture_output=True, text=True, check=False, cwd=REPOSITORY,
            timeout=PATIENCE_S,
        )  # fmt: skip

    def close(self) -> None:
        self.voice.close()
        self.broker.stop()


@pytest.fixture
def scene(tmp_path: Path) -> Iterator[Scene]:
    one = Scene(tmp_path)
    with contextlib.closing(one):
        yield one


class Tmux:
    """A terminal of its own, on a server of its own."""

    def __init__(self, folder: Path, command: list[str], columns: int = 120) -> None:
        if shutil.which("tmux") is None:
            pytest.skip("tmux is not installed")
        self._base = ["tmux", "-S", str(folder / "tmux")]
        self._do("-f", "/dev/null", "new-session", "-d", "-x", str(columns), "-y", "48",
                 "-c", str(REPOSITORY), *command)  # fmt: skip

    def _do(self, *words: str) -> str:
        # The readline library, if pytest has loaded it, exports the size of another terminal.
        clean = {k: v for k, v in os.environ.items() if k not in ("COLUMNS", "LINES")}
        done = subprocess.run(
            [*self._base, *words], capture_output=True, text=True, check=False, env=clean
        )
        return done.stdout

    def screen(self) -> str:
        return self._do("capture-pane", "-p")

    def keep(self, name: str) -> None:
        """For looking at, beside the page's screenshots; with its colours, for `cat`."""
        if folder := os.environ.get("HOMELEG_SCREENSHOTS"):
            Path(folder).mkdir(parents=True, exist_ok=True)
            text = self._do("capture-pane", "-e", "-p")
            (Path(folder) / f"terminal-{name}.txt").write_text(text, encoding="utf-8")

    def press(self, key: str) -> None:
        self._do("send-keys", key)

    def open(self) -> bool:
        return self._do("list-sessions") != ""

    def close(self) -> None:
        self._do("kill-server")


def test_the_screen_shows_the_published_numbers_and_takes_keys(
    scene: Scene, tmp_path: Path
) -> None:
    for advisory in STORY.advisories(TURN_T - 100):
        scene.voice.say(advisory)
    terminal = Tmux(tmp_path, scene.command("--terminal"))
    with contextlib.closing(terminal):
        status = STORY.status(TURN_T - 230.0, next_s=600.0)
        until(lambda: "Be ready" in terminal.screen() or scene.voice.say(status))
        until(lambda: "Live, figures" in terminal.screen())
        for words in (
            "/!\\ BE READY",
            "99 % sure of home if it turns by then",
            "cruise",
            "Farrow lighthouse pad 97 %",
            "24.0 m/s",
            "███",
        ):
            until(lambda words=words: words in " ".join(terminal.screen().split()))
        terminal.keep("caution")
        terminal.press("u")
        until(lambda: "47 kt" in terminal.screen())
        terminal.press("a")
        until(lambda: scene.voice.acks)
        ack = scene.voice.acks[0]
        assert (ack.seq, ack.by) == (2, "Ada")
        until(lambda: "Acknowledged by Ada" in terminal.screen())
        terminal.press("q")
        until(lambda: not terminal.open())


def test_a_narrow_terminal_still_says_what_matters(scene: Scene, tmp_path: Path) -> None:
    terminal = Tmux(tmp_path, scene.command("--terminal"), columns=60)
    with contextlib.closing(terminal):
        status = STORY.status(TURN_T + 9.0, next_s=600.0)
        until(lambda: "ACT NOW" in terminal.screen() or scene.voice.say(status))
        until(lambda: "is the time to turn back" in terminal.screen())
        terminal.keep("narrow")


def test_silence_is_loud_in_the_terminal_too(scene: Scene, tmp_path: Path) -> None:
    terminal = Tmux(tmp_path, scene.command("--terminal"))
    with contextlib.closing(terminal):
        until(lambda: "Waiting" in terminal.screen() or "heron-1" in terminal.screen())
        for i in range(5):
            time.sleep(1.0)
            scene.voice.say(STORY.status(1000.0 + i))
        took = until(lambda: "Nothing heard" in terminal.screen())
        assert took < allowed(4.0, 1.5)
        until(lambda: "NO WORD" in terminal.screen())
        terminal.keep("silent")
        until(lambda: "reckoned on from the last word" in terminal.screen())


def test_once_as_text_and_as_json(scene: Scene) -> None:
    scene.voice.say(STORY.status(TURN_T - 23.45 * 60.0))
    text = scene.run("--once")
    assert text.returncode == 0
    assert "until it must turn" in text.stdout
    done = scene.run("--once", "--json")
    (line,) = done.stdout.splitlines()
    view = json.loads(line)
    assert view["aircraft"] == "heron-1"
    assert view["status"]["numbers"]["turn_back_safe_min"] == 23.45
    assert view["freshness"]["state"] == "kept"  # nobody spoke while it listened


def test_once_with_nobody_there_is_no(scene: Scene) -> None:
    done = scene.run("--once", "--wait", "1", "--aircraft", "nobody")
    assert done.returncode == 1
    assert "No aircraft was heard" in done.stderr


@pytest.mark.parametrize(
    "wrong",
    [
        ["--broker", "http://x"],
        ["--tiles", "ftp://x"],
        ["--ca", "/nowhere"],
        ["--sign", "/nowhere"],
    ],
)
def test_wrong_input_is_named_and_ends_with_two(scene: Scene, wrong: list[str]) -> None:
    extra = ["--broker", "mqtts://127.0.0.1:1"] if wrong[0] == "--ca" else []
    done = scene.run(*extra, *wrong, "--once", "--wait", "1")
    assert done.returncode == 2, done.stderr
    assert wrong[0] in done.stderr or wrong[1] in done.stderr
