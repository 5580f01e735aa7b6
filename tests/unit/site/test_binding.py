"""What a review is bound to: what voids it, and what does not."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace

import pytest

from harness.site.binding import Binding, binding_of, changes
from harness.site.reading import read_site
from tests.peers.sites import TEXT, site_of

TANK = "  a.low: {text: A LOW, code: 3, side effects: stops-pump}"

VOIDS = {
    "the text of a side effect": ("text: stops the pump", "text: stops both pumps", "side effect stops-pump: its text"),
    "its hazard": ("hazard: the cellar fills", "hazard: 'the cellar, fills'", "side effect stops-pump: its hazard"),
    "its safeguard": ("safeguard: no delivery", "safeguard: none", "side effect shuts-valve: its safeguard"),
    "a new side effect": (
        "side effects:\n",
        "side effects:\n  rings: {text: rings, hazard: people run, safeguard: tell them}\n",
        "side effect rings is new",
    ),
    "an alarm has another side effect": (
        "code: 3, side effects: stops-pump",
        "code: 3, side effects: shuts-valve",
        "alarm a.low: its side effects",
    ),
    "an alarm has none any more": (
        "code: 3, side effects: stops-pump",
        "code: 3, side effects: none",
        "alarm a.low: its side effects",
    ),
    "nobody knows any more what it does": (
        "code: 2, side effects: none,",
        "code: 2,",
        "alarm a.high: its side effects",
    ),
    "it brings another one along": (TANK, TANK[:-1] + ", also raises: b.leak}", "alarm a.low: what it brings along"),
    "another code is written": ("code: 3", "code: 33", "alarm a.low: what is done to raise and clear it"),
    "another value is written": (
        "values: [code, 1]",
        "values: [code, 9]",
        "alarm a.high-high: what is done to raise and clear it",
    ),
    "another register is written": (
        "clear: {link: panel, holding register: 900, values: [code, 4]}",
        "clear: {link: panel, holding register: 901, values: [code]}",
        "alarm a.high-high: what is done to raise and clear it",
    ),
    "it ends by itself no longer": (
        ", lasts: 1 s +/- 100 ms",
        "",
        "alarm b.leak: what is done to raise and clear it",
    ),
    "it may be raised for longer": (
        "stimulus:\n",
        "stimulus:\n  raised at most: 10 min\n",
        "alarm a.high-high: what is done to raise and clear it",
    ),
    "one alarm may be raised for longer": (
        TANK,
        TANK[:-1] + ", raised at most: 10 min}",
        "alarm a.low: what is done to raise and clear it",
    ),
    "what isolates it": (
        TANK,
        TANK[:-1] + ", isolated by: pump off}",
        "alarm a.low: what is done to raise and clear it",
    ),
    "what a person does": (
        TANK,
        TANK[:-1] + ", by hand: pull the relay}",
        "alarm a.low: what is done to raise and clear it",
    ),
    "when it is acknowledged": (
        TANK,
        TANK[:-1] + ", acknowledge after: clear}",
        "alarm a.low: what is done to raise and clear it",
    ),
    "what need not be put back": (
        "register: 900-901}",
        "register: 900-901, as left: may differ}",
        "link panel: what may be written there",
    ),
    "more may be written": ("register: 900-901", "register: 900-902", "link panel: what may be written there"),
    "the device is another one": (
        'panel: {modbus-tcp: "127.0.0.1:9"',
        'panel: {modbus-tcp: "127.0.0.2:9"',
        "link panel: the address of its device",
    ),
    "an alarm has gone": (TANK + "\n", "", "alarm a.low is no longer there"),
    "an alarm has come": (
        TANK,
        TANK + "\n" + TANK.replace("a.low", "c.low").replace("A LOW, code: 3", "C LOW, code: 8"),
        "alarm c.low is new",
    ),
}

KEEPS = {
    "a comment": ("side effects:\n", "side effects: # reviewed in May\n"),
    "blanks": ("hazard: the cellar fills", "hazard:   'the  cellar   fills'"),
    "the title": ("title: Ashby pumping station (invented)", "title: Ashby, pumping station (invented)"),
    "the controller": ("controller: {name: c}", "controller: {name: d, firmware: 2.0}"),
    "poll periods": ("poll every: 20 ms", "poll every: 30 ms"),
    "time-outs": ("poll every: 20 ms, timeout: 200 ms", "poll every: 20 ms, timeout: 300 ms"),
    "where it is only read": ('bms: {modbus-tcp: "127.0.0.1:9"', 'bms: {modbus-tcp: "127.0.0.3:7"'),
    "limits": ("appears within: 1 s, gone", "appears within: 2 s, gone"),
    "a row": ("visible for: 3 s", "visible for: 2 s"),
    "the words of an alarm": ("text: B DUE", "text: 'B, DUE'"),
    "how long arming waits": ("stimulus:\n", "stimulus:\n  hold off: 9 s\n"),
    "what was in force already": ("stimulus:\n", "stimulus:\n  raised at most: 5 min\n"),
    "how far a register may be off": ("register: 900-901}", "register: 900-901, tolerance: 2}"),
    "its class": ("side effects: none, class: warning", "side effects: none, class: fault"),
    "how long it lasts": ("lasts: 1 s +/- 100 ms", "lasts: 1 s +/- 200 ms"),
    "the order of side effects": ("side effects: [stops-pump, shuts-valve]", "side effects: [shuts-valve, stops-pump]"),
    "the reference": ("reference: panel-high", "priority: 3"),
}


@pytest.mark.parametrize("name", VOIDS)
def test_what_voids_a_review_and_how_it_is_said(name: str) -> None:
    old, new, told = VOIDS[name]
    text = TEXT
    if name == "an alarm has gone":
        row = text.index("  - {alarm: a.low,")
        text = text[:row] + text[text.index("  - {alarm: b.leak, link: bms") :]
    assert text.count(old) == 1
    was = binding_of(read_site({"site.yaml": TEXT.encode()}, "site.yaml")[0])
    now = binding_of(read_site({"site.yaml": text.replace(old, new).encode()}, "site.yaml")[0])
    assert was.whole != now.whole
    assert told in changes(was, now)
    assert {change.partition(": ")[2] for change in changes(was, now)} <= {told.partition(": ")[2]}, "and nothing else"


@pytest.mark.parametrize("name", KEEPS)
def test_what_does_not_void_it(name: str) -> None:
    assert binding_of(site_of(KEEPS[name])) == binding_of(site_of())


def test_order_in_the_file_does_not_void_it() -> None:
    site = site_of()
    turned = replace(
        site,
        alarms=dict(list(site.alarms.items())[::-1]),
        side_effects=dict(list(site.side_effects.items())[::-1]),
        links=dict(list(site.links.items())[::-1]),
        expectations=site.expectations[::-1],
        writable=site.writable[::-1],
    )
    assert binding_of(turned) == binding_of(site)


def test_the_same_things_at_another_site_are_not_the_same() -> None:
    was, now = binding_of(site_of()), binding_of(site_of(("site: ashby", "site: ashdown")))
    assert was.whole != now.whole
    assert changes(was, now) == ()


def test_it_can_be_read_out_and_is_the_same_everywhere() -> None:
    """Pinned: a change of this number voids every review that was ever made, so it is a change to be told.

    And with another seed of Python's own hashes in another process.
    """
    whole = binding_of(site_of()).whole
    assert whole == "3dd0-4116-ec40"
    code = (
        "from harness.site.binding import binding_of; from tests.peers.sites import site_of; "
        "print(binding_of(site_of()).whole)"
    )
    for seed in ("1", "2"):
        done = subprocess.run(  # noqa: S603
            [sys.executable, "-c", code], capture_output=True, text=True, check=True, env={"PYTHONHASHSEED": seed}
        )
        assert done.stdout.strip() == whole


def test_parts_that_are_not_known_tell_nothing_wrong() -> None:
    now = binding_of(site_of())
    assert changes(now, now) == ()
    assert changes(replace(now, alarms={**now.alarms, "a.low": "0000"}), now) == ("alarm a.low: its side effects",)
    assert "alarm a.low is new" in changes(Binding(whole="0000-0000-0000"), now)
