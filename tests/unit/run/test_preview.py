"""The dry run: everything that a test would do, said before, and nothing opened."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from harness.core.errors import UsageError
from harness.core.instants import NS_PER_S
from harness.core.links import ModbusTcpLink, PersonLink
from harness.core.model import Site
from harness.run.order import Selection
from harness.run.preview import Preview, preview_of
from harness.site.profiles import profiles_folder
from harness.site.reading import load_site
from tests.peers.sites import site_of


def preview(site: Site | None = None, *only: str, links: tuple[str, ...] = ()) -> Preview:
    return preview_of(site or site_of(), Selection(only=only, links=links))


def test_order_rows_and_times() -> None:
    found = preview()
    assert [it.alarm for it in found.raised] == ["a.high-high", "a.high", "a.low", "b.leak", "b.due"]
    assert [it.rows for it in found.raised] == [1, 2, 1, 2, 1]
    assert found.rows == 7
    assert found.usual_ns == sum(it.usual_ns for it in found.raised) > 5 * NS_PER_S
    assert found.longest_ns == sum(it.longest_ns for it in found.raised) > found.usual_ns
    assert found.raised[0].brings == ("a.high",)


def test_side_effects_with_the_alarms_that_have_them() -> None:
    found = {it.name: it for it in preview().side_effects}
    assert {name: it.alarms for name, it in found.items()} == {
        "stops-pump": ("a.high-high", "a.low"),
        "shuts-valve": ("a.high-high",),
    }
    assert found["stops-pump"].hazard == "the cellar fills"
    assert found["stops-pump"].safeguard == "a person at the pump"
    assert [it.name for it in preview(None, "a.low").side_effects] == ["stops-pump"]
    assert preview(None, "b.*").side_effects == ()


def test_side_effects_of_what_comes_along() -> None:
    site = site_of(
        ("a.high: {text: A HIGH, code: 2, side effects: none,", "a.high: {text: A HIGH, code: 2, side effects: rings,"),
        ("side effects:\n", "side effects:\n  rings: {text: rings, hazard: people run, safeguard: tell them}\n"),
    )
    assert [it.name for it in preview(site, "a.high-high").side_effects] == ["stops-pump", "shuts-valve", "rings"]
    unstated = site_of(("code: 2, side effects: none,", "code: 2,"))
    assert preview(unstated, "a.high-high").unstated == ("a.high",)
    assert preview(unstated, "a.*").unstated == ("a.high",)
    assert preview(unstated, "b.*").unstated == ()


def test_what_farend_cannot_raise_is_said() -> None:
    site = site_of(("a.low: {text: A LOW, code: 3, side", "a.low: {text: A LOW, side"))
    found = preview(site)
    assert found.by_hand == ("a.low",)
    assert "a.low" not in [it.alarm for it in found.raised]


def test_links_with_what_they_cost_and_every_request() -> None:
    panel, bms, log = preview().links
    assert panel.cost.startswith(
        "1 connection and one more while armed, at most 1 request outstanding, a cycle of 1 read"
    )
    assert panel.requests == ("unit 1 function 2: discrete input 1 to 1 on the wire (1)",)
    assert bms.cost == (
        "1 connection, at most 1 request outstanding, a cycle of 2 reads every 100 ms, 20 requests a second"
    )
    assert bms.requests == (
        "unit 1 function 2: discrete input 0 to 4 on the wire (5)",
        "unit 1 function 3: holding register 100 to 100 on the wire (1)",
    )
    assert (log.cost, log.requests) == ("listens only, sends nothing", ())


def test_a_declared_rate_stretches_the_cycle() -> None:
    site = site_of()
    bms = site.links["bms"]
    assert isinstance(bms, ModbusTcpLink)
    slow = replace(site, links={**site.links, "bms": replace(bms, requests_per_s_max=5)})
    (link,) = (it for it in preview(slow).links if it.name == "bms")
    assert link.cost.endswith("5 requests a second as declared, so a cycle takes 400 ms")


def test_only_links_that_are_listened_to_or_written_over() -> None:
    panel, bms = preview(None, "a.low").links
    assert (panel.name, bms.name) == ("panel", "bms")
    assert panel.cost.startswith("not listened to in this plan")
    assert "a cycle of" in bms.cost
    assert [it.name for it in preview(links=("log",)).links] == ["panel", "log"], "the reference point is on panel"


def test_writable_addresses() -> None:
    assert preview().writable == ("panel: unit 1, holding register 900 to 901 on the wire",)


@pytest.mark.parametrize(
    ("only", "expected"),
    [
        ((), "proven for every pair"),
        (("a.high-high",), "not proven for a.high-high and a.high, which are never raised apart in this plan"),
        (("a.high*",), "proven for every pair"),
    ],
)
def test_identity(only: tuple[str, ...], expected: str) -> None:
    assert preview(None, *only).identity.startswith(expected)


def test_a_mistyped_selection_is_refused() -> None:
    with pytest.raises(UsageError, match=r"--only a\.hgih: fits no alarm"):
        preview(None, "a.hgih")
    with pytest.raises(UsageError, match="--link bsm: no such link"):
        preview(links=("bsm",))


def test_it_is_json() -> None:
    found = preview()
    assert json.loads(json.dumps(found.to_json()))["raised"][0]["alarm"] == "a.high-high"


def test_the_demo_takes_little_more_than_a_minute_if_all_is_well() -> None:
    """Without a person, who takes as long as they need. The healthy demo really takes 80 s."""
    site, _ = load_site(profiles_folder() / "demo" / "site.yaml")
    links = tuple(name for name, link in site.links.items() if not isinstance(link, PersonLink))
    found = preview(site, links=links)
    assert len(found.raised) == sum(len(it.acknowledged_after) for it in site.alarms.values()) > len(site.alarms) >= 24
    twice = [it.acknowledged_after for it in found.raised if it.alarm == "bulk-a.interstitial-leak"]
    assert twice == ["raise", "clear"]
    assert found.rows == sum(site.points[row.point].link in links for row in site.expectations)
    assert found.usual_ns < 80 * NS_PER_S
