"""Install, again, upgrade, roll back, uninstall - in a scratch root, with a real environment.

Dependencies are left out (``--no-deps``), for time's sake.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]

pytestmark = pytest.mark.system


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the source tree, and an empty root beside it."""
    folder = tmp_path_factory.mktemp("install")
    tree = folder / "tree"
    tree.mkdir()
    for name in ("README.md", "pyproject.toml"):
        shutil.copy(ROOT / name, tree)
    for name in ("deploy", "supervisor", "sim"):
        shutil.copytree(ROOT / name, tree / name, ignore=shutil.ignore_patterns("__pycache__"))
    if (ROOT / "LICENSE").exists():
        shutil.copy(ROOT / "LICENSE", tree)
    (folder / "root").mkdir()
    return folder


def script(place: Path, name: str, *words: str) -> subprocess.CompletedProcess[str]:
    environment = os.environ | {"DESTDIR": str(place / "root"), "PIP_OPTIONS": "--no-deps"}
    command = [str(place / "tree" / "deploy" / name), *words]
    run = subprocess.run(command, capture_output=True, text=True, env=environment, timeout=300)
    assert run.returncode == 0, run.stdout + run.stderr
    return run


def version(place: Path) -> str:
    """What the installed command says, by the interpreter that its environment has."""
    current = place / "root/opt/homeleg/current"
    code = "from importlib.metadata import version; import supervisor"
    code += "; print(version('homeleg'), supervisor.__file__)"
    run = subprocess.run([current / "bin/python", "-I", "-c", code], capture_output=True, text=True)
    assert run.returncode == 0, run.stderr
    assert str(current) in run.stdout
    return run.stdout.split()[0]


def set_version(place: Path, text: str) -> None:
    path = place / "tree/pyproject.toml"
    lines = path.read_text(encoding="utf-8").splitlines()
    lines = [f'version = "{text}"' if line.startswith("version = ") else line for line in lines]
    path.write_text("\n".join(lines), encoding="utf-8")


def test_the_whole_life(place: Path) -> None:
    root = place / "root"
    set_version(place, "1.0.0")
    script(place, "install")
    assert (root / "etc/systemd/system/homeleg.service").exists()
    assert (root / "etc/homeleg/keys").stat().st_mode & 0o777 == 0o700
    first_line = (root / "opt/homeleg/current/bin/homeleg").read_text().splitlines()[0]
    assert first_line == "#!/opt/homeleg/releases/1.0.0/bin/python"
    assert version(place) == "1.0.0"

    # What the user wrote and what was recorded is from now on never touched.
    (root / "etc/homeleg/homeleg.toml").write_text('log = "console"\n')
    (root / "var/lib/homeleg").mkdir(parents=True)
    (root / "var/lib/homeleg/heron-1-00001.mcap").write_bytes(b"flight")
    (root / "var/lib/homeleg/outbox.sqlite").write_bytes(b"held")

    def untouched() -> bool:
        kept = root / "var/lib/homeleg"
        return (
            (root / "etc/homeleg/homeleg.toml").read_text() == 'log = "console"\n'
            and (kept / "heron-1-00001.mcap").read_bytes() == b"flight"
            and (kept / "outbox.sqlite").read_bytes() == b"held"
        )

    script(place, "install")  # again: the same
    assert version(place) == "1.0.0"
    assert os.listdir(root / "opt/homeleg/releases") == ["1.0.0"]
    assert not (root / "opt/homeleg/previous").is_symlink()
    assert untouched()

    set_version(place, "1.1.0")
    script(place, "install")
    assert version(place) == "1.1.0"
    script(place, "install", "--rollback")
    assert version(place) == "1.0.0"
    script(place, "install", "--rollback")  # and forward again
    assert version(place) == "1.1.0"
    assert sorted(os.listdir(root / "opt/homeleg/releases")) == ["1.0.0", "1.1.0"]
    assert untouched()

    script(place, "uninstall")
    script(place, "uninstall")
    assert not (root / "opt/homeleg").exists()
    assert not (root / "etc/systemd/system/homeleg.service").exists()
    assert untouched()


def test_a_failed_upgrade_leaves_what_was_there(place: Path) -> None:
    set_version(place, "2.0.0")
    script(place, "install")
    set_version(place, "not a version")
    environment = os.environ | {"DESTDIR": str(place / "root"), "PIP_OPTIONS": "--no-deps"}
    run = subprocess.run(
        [place / "tree/deploy/install"], capture_output=True, text=True, env=environment
    )
    assert run.returncode != 0
    assert version(place) == "2.0.0"
