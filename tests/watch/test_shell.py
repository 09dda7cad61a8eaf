"""The web shell's guard, without a network."""

from __future__ import annotations

import pytest

from supervisor.watch.shell import security_headers, trusted_host


@pytest.mark.parametrize(
    ("named", "bound", "trusted"),
    [
        ("127.0.0.1:8080", "127.0.0.1", True),
        ("localhost:8080", "127.0.0.1", True),
        ("[::1]:8080", "127.0.0.1", True),
        ("192.0.2.7:80", "0.0.0.0", True),  # RFC 5737 address
        ("van.example:80", "van.example", True),
        ("evil.example:8080", "127.0.0.1", False),
        ("127.0.0.1.evil.example", "127.0.0.1", False),
        ("", "127.0.0.1", False),
    ],
)
def test_only_addresses_and_our_own_name_are_answered(
    named: str, bound: str, trusted: bool
) -> None:
    assert trusted_host(named, bound) is trusted


def test_the_policy_lets_in_our_own_files_and_the_named_tile_server_only() -> None:
    plain = dict(security_headers(""))[b"content-security-policy"].decode()
    tiled = dict(security_headers("https://tiles.example/{z}/{x}/{y}.png"))
    assert "default-src 'none'" in plain
    assert "unsafe" not in plain
    assert "http" not in plain
    assert b"img-src 'self' https://tiles.example;" in tiled[b"content-security-policy"]
