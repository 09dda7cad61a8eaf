"""``homeleg keys``: what it makes, judged by openssl, and how it says no."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest
from click.testing import CliRunner

from supervisor.cli import group
from supervisor.edge.signatures import Signer, load_keyring
from supervisor.errors import InputError
from supervisor.keys import Fleet, Wanted

ONE = ("--server", "shore.example", "--aircraft", "saltmere-1", "--person", "ann")


def run(*words: str) -> str:
    result = CliRunner().invoke(group, ["keys", *words])
    assert result.exit_code == 0, result.output
    return result.output


def test_one_command_makes_all_and_a_second_nothing(tmp_path: Path) -> None:
    said = run(str(tmp_path), *ONE)
    assert "server/acl" in said
    assert "nothing to do" in run(str(tmp_path), *ONE)
    aboard = tmp_path / "aircraft" / "saltmere-1"
    made = {path.name for path in aboard.iterdir()}
    assert made == {"ca.pem", "client.pem", "client.key", "signing.pem", "people.toml"}


def test_both_sides_know_each_other_s_signing_keys(tmp_path: Path) -> None:
    run(str(tmp_path), *ONE)
    run(str(tmp_path), "--person", "bob")  # a person who comes later
    people = load_keyring(tmp_path / "aircraft" / "saltmere-1" / "people.toml")
    assert set(people) == {"ann", "bob"}
    signer = Signer.from_file(tmp_path / "people" / "bob" / "signing.pem")
    assert people["bob"] == signer.public_raw
    aircraft = load_keyring(tmp_path / "people" / "bob" / "aircraft.toml")
    assert set(aircraft) == {"saltmere-1"}


def test_openssl_agrees_with_the_certificates(tmp_path: Path) -> None:
    openssl = shutil.which("openssl")
    if openssl is None:
        pytest.skip("openssl is not installed")
    run(str(tmp_path), *ONE)
    ca = ("-CAfile", str(tmp_path / "ca" / "ca.pem"), "-x509_strict")
    client = str(tmp_path / "aircraft" / "saltmere-1" / "client.pem")
    server = str(tmp_path / "server" / "server.pem")
    for purpose, name, extra in (
        ("sslclient", client, ()),
        ("sslserver", server, ("-verify_hostname", "shore.example")),
    ):
        command = [openssl, "verify", *ca, "-purpose", purpose, *extra, name]
        assert subprocess.run(command, capture_output=True, check=False).returncode == 0
    other = [openssl, "verify", *ca, "-verify_hostname", "other.example", server]
    assert subprocess.run(other, capture_output=True, check=False).returncode != 0
    run(str(tmp_path), "--revoke", client)
    crl = ("-crl_check", "-CRLfile", str(tmp_path / "server" / "crl.pem"))
    check = [openssl, "verify", *ca, *crl, client]
    refused = subprocess.run(check, capture_output=True, text=True, check=False)
    assert "certificate revoked" in refused.stderr


@pytest.mark.parametrize("name", ["", "../up", "a b", "x" * 65, "a/b", "#", "+"])
def test_names_that_would_be_topics_or_paths_are_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(InputError, match="letters, digits"):
        Fleet(tmp_path).make(Wanted(aircraft=(name,)))


def test_a_folder_that_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match="cannot be written"):
        Fleet(tmp_path / "file").make(Wanted(aircraft=("a",)))


def test_what_is_no_certificate_cannot_be_revoked(tmp_path: Path) -> None:
    run(str(tmp_path), *ONE)
    with pytest.raises(InputError, match="is no certificate"):
        Fleet(tmp_path).revoke(tmp_path / "server" / "acl")
