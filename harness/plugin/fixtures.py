"""The fixtures, registered once a site was given."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, cast

import pytest

from harness.plugin.active import putting_back_at_sigterm
from harness.plugin.hooks import LIVE

if TYPE_CHECKING:
    from harness.plugin.active import Active
    from harness.plugin.live_site import LiveSite
    from harness.plugin.opened import Opened


def _active(config: pytest.Config) -> Active:
    return cast("Active", config.pluginmanager.get_plugin("farend-active"))  # this module is registered with it


def _scope(fixture_name: str, config: pytest.Config) -> Any:  # noqa: ARG001  # as pytest calls it
    return _active(config).settings.scope


@pytest.fixture(scope=_scope)
def _farend_opened(request: pytest.FixtureRequest) -> Iterator[Opened]:
    """The links, and the record, of one test, one module, or all."""
    __tracebackhide__ = True
    active = _active(request.config)
    opened = active.begin(request.node)
    failed = None
    try:
        yield opened
    finally:
        with putting_back_at_sigterm():
            failed = active.finish(opened, request.node)
    if failed is not None:
        raise failed


@pytest.fixture
def site(request: pytest.FixtureRequest, _farend_opened: Opened) -> Iterator[LiveSite]:
    """The site, live: raise alarms, expect them, see them through. What is raised is put back at the end."""
    live = _farend_opened.begin(request.node.nodeid, _active(request.config).allowed(request.node))
    request.node.stash[LIVE] = live
    with putting_back_at_sigterm():
        yield live
        live.end(is_stopped=True)  # where something came between, so that it was not ended before
