"""What pytest loads with every suite: the options, and nothing heavy. The rest is registered once a site is given."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pytest

if TYPE_CHECKING:
    from harness.plugin.live_site import LiveSite

SCOPES: Final = ("function", "module", "session")
MARKER: Final = (
    "farend(only=(), allow=()): of tests with the fixtures of farend; only: patterns of the alarms that 'alarm' goes "
    "through; allow: names of unknown verdicts that do not fail the test"
)
FIXTURES: Final = ("site", "alarm")

LIVE: Final[pytest.StashKey[LiveSite]] = pytest.StashKey()
"""What a test has of the site."""

AT_END: Final[pytest.StashKey[Exception]] = pytest.StashKey()
"""What a test failed by once it had run to its end: no line of it is to blame."""


def pytest_addoption(parser: pytest.Parser) -> None:
    """Options of the command line, and of the ini file what is the same every day. Nothing here turns anything on."""
    group = parser.getgroup("farend", "farend: alarms of a site, from the raise to every output")
    add = group.addoption
    add("--farend-site", metavar="FILE", help="Site file; turns the fixtures 'site' and 'alarm' on.")
    add("--farend-arm", metavar="SITE-NAME", help="Allow the writes that the site file lists; never in addopts.")
    add("--farend-reviews", metavar="FILE", help="File with the side-effect reviews.")
    add("--farend-ledger", metavar="FILE", help="Ledger of notices and inhibits. Default: the one beside the site.")
    add("--farend-inhibited", metavar="NAME", action="append", default=[], help="Left by an earlier run, and meant.")
    add("--farend-standing", metavar="NAME=REASON", action="append", default=[], help="Known to be on.")
    add("--farend-clear-left-open", action="store_true", help="First clear what an earlier run left raised.")
    add("--farend-only", metavar="PATTERN", action="append", default=[], help="Only alarms that fit; repeatable.")
    add("--farend-link", metavar="NAME", action="append", default=[], help="Only rows on this link; repeatable.")
    add("--farend-allow", metavar="VERDICT", action="append", default=[], help="An unknown verdict that may be.")
    add("--farend-records", metavar="DIR", help="Where records are kept. Default: farend-records.")
    add("--farend-scope", choices=SCOPES, help="One record for each: function (the default), module or session.")
    add("--farend-seed", type=int, metavar="N", help="Seed of the random phases at which alarms are raised.")
    add("--farend-who", metavar="NAME", help="Who tests; goes into the record. Default: the user of this computer.")
    parser.addini("farend_site", "site file, from the folder of this file; see --farend-site")
    parser.addini("farend_reviews", "file with the side-effect reviews")
    parser.addini("farend_ledger", "ledger of notices and inhibits")
    parser.addini("farend_only", "patterns of alarms", type="args")
    parser.addini("farend_links", "names of links", type="args")
    parser.addini("farend_allow", "unknown verdicts that do not fail a test", type="args")
    parser.addini("farend_records", "folder of the records", default="farend-records")
    parser.addini("farend_scope", "one record for each function, module or session", default="function")
    parser.addini("farend_seed", "seed of the random phases", default="0")


def pytest_configure(config: pytest.Config) -> None:
    """Register what does the work, where a site was given."""
    config.addinivalue_line("markers", MARKER)
    if config.getoption("farend_site") or config.getini("farend_site"):
        from harness.plugin import fixtures
        from harness.plugin.active import Active
        from harness.plugin.settings import settings_of

        config.pluginmanager.register(Active(config, settings_of(config)), "farend-active")
        config.pluginmanager.register(fixtures, "farend-fixtures")


def pytest_exception_interact(
    node: pytest.Item | pytest.Collector,
    call: pytest.CallInfo[object],
    report: pytest.CollectReport | pytest.TestReport,
) -> None:
    """A suite that asks for a fixture of ours without a site is told what is missing."""
    exc = call.excinfo.value if call.excinfo is not None else None
    if not isinstance(exc, pytest.FixtureLookupError) or exc.argname not in FIXTURES:
        return
    hint = "no site file is given: --farend-site FILE, or 'farend_site = FILE' in the ini file, turns it on"
    if node.config.pluginmanager.has_plugin("farend-active"):
        hint = "'alarm' goes through the alarms of a test that asks for 'site' too"
    report.sections.append(("farend", hint))
