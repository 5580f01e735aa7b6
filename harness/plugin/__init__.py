"""A pytest plugin: a firmware team tests in its own suite that alarms reach every output.

    from harness.plugin import LiveSite

    async def test_high_level(site: LiveSite):
        await site.raise_alarm("bulk-a.high")
        await site.expect("bms:10002", within="1 s")
        await site.acknowledge("bulk-a.high")
        await site.clear("bulk-a.high")

    async def test_every_alarm(site: LiveSite, alarm: str):
        await site.check(alarm)

The first raises an alarm and goes through its steps by itself; the second is all of ``farend test``, one test for each
alarm of the site. It is on only where a site file is given (``--farend-site``, or ``farend_site`` in the ini file), and
what it takes is imported when the first test asks for ``site``. pytest and pytest-asyncio come with ``farend[pytest]``.

**What is judged.** Whatever a test raises is judged at its end by *every* row of the point map for that alarm, and
each must pass; ``points=`` names fewer. ``expect`` and ``expect_all`` fail earlier, or by a tighter limit. What
cannot be known in the middle (a printed line is certain only once its end was printed) is decided at the end. An
unknown verdict fails, unless it is allowed by its name: ``allow=`` of a call or of ``@pytest.mark.farend``,
``--farend-allow``, or ``farend_allow``; names are ``not-observed``, ``unresolved``, ``masked`` and ``not-run``. A fail
cannot be allowed, and no allow makes a test pass in which nothing was raised, or no row observed. What passed only by
an allow is told at the end of the run, and in the properties ``farend_allowed[...]`` of its test.

**What is skipped.** A test of nothing but alarms that the reviews exclude, or that have no ``raise`` and ``clear``
writes: no run could raise them. Skipped is not passed, and its record says ``not-run``.

**Who says so.** The judge, by all that was observed. In the middle of a test and at its end it looks at memory; once
the record is closed, the record is judged as ``farend judge`` does, and a test that had passed by more than its
record says is an error of its teardown.

**One record a test, or one for many.** By default (``farend_scope = function``) each test opens the links, has a
record of its own and is compared with how things were found: what a failed test leaves behind is the whole of its
evidence, and nothing of it is another test's. Opening takes about as long as the slowest link needs to connect. Where
that or the hold-off of a real site is too long for each test, or a device minds being connected to so often,
``module`` and ``session`` open once, write one record, and compare after every test all the same; a run that was
stopped for the sake of safety stays stopped for all tests that share it. Records are kept in ``farend-records`` under
pytest's root folder (``--farend-records``, ``farend_records``).

**Safety** is that of ``farend test``: the reviews, the word that arms it, the ledger, standing alarms, what an
earlier run left raised, hold-off and dead-man limits. The word is taken from the command line alone, not from
``addopts``, so that no bare ``pytest`` raises anything. A thread of its own listens and puts back: a test that blocks
its event loop makes no link blind, and keeps no alarm raised for longer than it may be. What is raised is put back at
the end of the test, at its first exception, when it is cancelled or runs into a timeout, at Ctrl-C and at SIGTERM.
Nothing can be put back once the process itself is gone (SIGKILL, ``timeout_method=thread`` of pytest-timeout): the
next run finds that in the records, and refuses.

**A device that is dead** is waited for by one test. Where no link of any row came up in it, the next ones look for a
moment whether one can be had again, and are refused where none can.

**pytest-xdist.** One device cannot be tested by two at once. With one record a test, workers take turns at it, test
by test, however the tests are dealt out; a wider scope is refused to a second worker, so that all tests of the site
have to be in one file with ``--dist loadfile``. A second run on the same computer is refused; on another one nobody
knows of it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from harness.plugin.live_site import LiveSite

__all__ = ("LiveSite",)


def __getattr__(name: str) -> object:
    """``LiveSite``, for annotations, without importing anything heavy into a suite that does not use it."""
    if name != "LiveSite":
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from harness.plugin.live_site import LiveSite

    return LiveSite
