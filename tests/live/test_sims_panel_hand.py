"""The hand at the simulated panel: lines that a person types, and what the panel makes of them."""

from __future__ import annotations

import pytest

from sims import SiteProcess
from sims.alarms import ALARMS, BY_NAME
from sims.controller import Action
from sims.panel_hand import main, understood
from tests.peers.command import active


def test_what_is_typed_is_done_at_the_panel(capsys: pytest.CaptureFixture[str]) -> None:
    with SiteProcess() as site:

        def lines() -> object:
            for line in ("1 bulk-b.wat\n", "3\n", "9\n", "q\n"):
                yield line
                while active(site) != [BY_NAME["bulk-b.water"].number]:
                    pass  # the controller takes it with its next scan; without it, pytest's own limit ends this
            pytest.fail("it goes on after q")

        assert main(["127.0.0.1", str(site.port("panel"))], lines()) == 0  # type: ignore[arg-type]
    out = capsys.readouterr().out.splitlines()
    assert out[1:3] == ["raise bulk-b.water", "acknowledge every alarm"]
    assert out[3] == out[0], "what cannot be understood is answered by how it goes"


def test_an_alarm_is_named_by_what_tells_it_apart() -> None:
    assert understood("1 bulk-a.water", "") == (Action.RAISE, "bulk-a.water")
    assert understood("4", "day.low") == (Action.CLEAR, "day.low")
    assert understood("3", "day.low") == (Action.ACKNOWLEDGE, "")
    assert understood("3 day.low", "") == (Action.ACKNOWLEDGE, "day.low")
    for line, said in (("1 leak", "leak: one of "), ("1 nothing", "there is no such alarm"), ("1", "which alarm?")):
        with pytest.raises(ValueError, match=said):
            understood(line, "")
    assert all(understood(f"1 {it.name}", "")[1] == it.name for it in ALARMS)


def test_where_no_panel_answers_it_says_so(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["127.0.0.1", "9"], []) == 1
    assert "no panel answers" in capsys.readouterr().err
