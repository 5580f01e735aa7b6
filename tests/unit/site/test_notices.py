"""Whom the site file wants told before a test."""

from __future__ import annotations

from tests.peers.sites import site_of


def told(line: str) -> tuple[str, ...]:
    return site_of(("stimulus:\n", line + "stimulus:\n")).notices


def test_whom_to_tell_before_a_test() -> None:
    assert told("") == ()
    assert told("notices: monitoring station, fire brigade\n") == ("monitoring station", "fire brigade")
    assert told("notices: [operator, monitoring station, operator]\n") == ("operator", "monitoring station")
