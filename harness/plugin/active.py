"""The plugin once a site was given: the fixtures, what is done around each test, and what is said of it."""

from __future__ import annotations

import inspect
import re
import signal
import textwrap
import threading
from collections.abc import Generator, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Final

import pytest

from harness.plugin.allowing import rows_of, summary
from harness.plugin.hooks import AT_END, FIXTURES, LIVE
from harness.plugin.settings import Settings, allowed_of, options_of
from harness.results.fitting import fits

if TYPE_CHECKING:
    from types import FrameType

    from harness.core.model import Site
    from harness.plugin.bridge import LoopThread
    from harness.plugin.lock import DeviceLock
    from harness.plugin.opened import Opened
    from harness.site.reading import Documents

SITE, ALARM = FIXTURES
TURN_MAX_S: Final = 600
"""How long a worker waits for its turn: longer than any test that is not stuck (common practice, no source)."""

LIMITING: Final = (
    "farend_only is not set, so that this goes for every alarm of the site: 'farend_only = PATTERN' in the ini file, "
    "or --farend-only, limits it to those that the suite raises"
)

NAME_MAX: Final = 80
"""Characters of a test's name in the name of its record: file systems take 255 bytes."""


class Active:
    """Registered as a plugin of its own. The site is read, and the thread begun, by the first test that needs it."""

    def __init__(self, config: pytest.Config, settings: Settings) -> None:
        self.settings = settings
        self._config = config
        self._read: tuple[Site, Documents] | None = None
        self._thread: LoopThread | None = None
        self._lock: DeviceLock | None = None
        self._opened = 0
        self._open: list[Opened] = []
        self._still_open: dict[str, None] = {}
        self._refused: dict[str, str] = {}
        self._left_on: dict[str, str] = {}
        self._dead: tuple[str, dict[str, str]] = ("", {})
        self._by_allow: dict[str, list[tuple[str, str]]] = {}

    # --- for the fixtures ---------------------------------------------------------------------------

    def allowed(self, item: pytest.Item) -> frozenset[str]:
        """The unknown verdicts that do not fail a test."""
        from harness.core.errors import UsageError
        from harness.plugin.opened import refusal

        try:
            allowed = allowed_of(self.settings.allow, "farend_allow")
            for mark in item.iter_markers("farend"):
                allowed |= allowed_of(mark.kwargs.get("allow", ()), "@pytest.mark.farend: allow")
        except UsageError as exc:
            why = str(exc)
        else:
            return allowed
        raise refusal(why)

    def begin(self, node: pytest.Item | pytest.Collector) -> Opened:
        """Open a session for a node. Whatever refuses it is an error of the setup, in the words of the gate.

        The same words are told once: every further node says where they are.
        """
        from harness.core.errors import FarendError
        from harness.plugin.opened import refusal

        try:
            site = self._site()[0]
            self._take(site)
            self._refuse_while_dead(site)
            opened = self._open_for(node)
        except FarendError as exc:
            why = str(exc)
        except OSError as exc:
            why = f"{exc.filename}: {exc.strerror}; choose another folder with --farend-records"
        else:
            self._opened += 1
            self._open.append(opened)
            self._left_on.clear()
            self._dead = ("", {})
            return opened
        if self._lock is not None:
            self._lock.release()
        first = self._refused.setdefault(why, node.nodeid)
        if first != node.nodeid:
            raise refusal(f"refused as before: see {first or 'the first'}")
        if "side effect" in why and not self.settings.only:
            why = f"{why}\n{LIMITING}"
        left = [point for point in self._left_on if f"point={point}: " in why]
        for test in dict.fromkeys(self._left_on[point] for point in left):
            points = ", ".join(point for point in left if self._left_on[point] == test)
            why = f"{test} found {points} off and left that on: see why there first, and put it right by hand\n{why}"
        raise refusal(why)

    def _refuse_while_dead(self, site: Site) -> None:
        """Where no link came up in the last test, and none can be had now, the next does not wait for them again.

        SafetyError, the same one for all.
        """
        from harness.core.errors import SafetyError
        from harness.plugin.dead_links import all_still_down

        test, dead = self._dead
        if dead and all_still_down(site, dead):
            links = "; ".join(f"{link}: {why}" if why else link for link, why in dead.items())
            raise SafetyError(f"nothing is raised: no link came up in {test}, and none can be had now: {links}")

    def finish(self, opened: Opened, node: pytest.Item | pytest.Collector) -> Exception | None:
        """Close it. Returns what the node fails by, None where all that was said before stands."""
        self._open.remove(opened)
        try:
            failed = opened.close()
        finally:
            if self._lock is not None:
                self._lock.release()
        self._left_on |= opened.left_on
        self._dead = (node.nodeid, opened.dead_links)
        self._still_open.update(dict.fromkeys(opened.still_open))
        if isinstance(node, pytest.Item):
            node.user_properties.append(("farend_record_sha256", opened.sha256))
        return failed

    # --- collecting ---------------------------------------------------------------------------------

    def pytest_generate_tests(self, metafunc: pytest.Metafunc) -> None:
        """``alarm`` goes through all alarms of the site, but where a suite has a fixture of that name itself."""
        is_theirs = bool(getattr(metafunc, "_arg2fixturedefs", {}).get(ALARM))
        named = [it.args[0] for it in metafunc.definition.iter_markers("parametrize") if it.args]
        is_given = any(ALARM in re.split(r"\s*,\s*", it) if isinstance(it, str) else ALARM in it for it in named)
        if {SITE, ALARM} <= set(metafunc.fixturenames) and not is_theirs and not is_given:
            metafunc.parametrize(ALARM, self._alarms(metafunc.definition))

    def _alarms(self, item: pytest.Item) -> list[str]:
        """All that are selected, and that the marks of the test do not leave out."""
        from harness.core.errors import FarendError, UsageError
        from harness.plugin.opened import refusal_text
        from harness.run.order import Selection, check_selection, plan_of

        try:
            site, _ = self._site()
            selection = Selection(only=self.settings.only, links=self.settings.links)
            check_selection(site, selection)
            names = list(dict.fromkeys(it.alarm.name for it in plan_of(site, selection)))
            if not names:  # pytest would skip the test without a word
                raise UsageError("nothing is selected: no row of the point map fits --only and --link")
            for mark in item.iter_markers("farend"):
                only = mark.kwargs.get("only", ())
                patterns = (only,) if isinstance(only, str) else tuple(only)
                for pattern in patterns:
                    if not fits(names, (pattern,)):
                        raise UsageError(
                            f"@pytest.mark.farend: only={pattern}: fits no alarm; alarms are {', '.join(names)}"
                        )
                if patterns:
                    names = [name for name in names if fits((name,), patterns)]
        except FarendError as exc:
            raise pytest.Collector.CollectError(refusal_text(str(exc))) from exc
        return names

    # --- around tests -------------------------------------------------------------------------------

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtest_setup(self, item: pytest.Item) -> None:
        """Nothing is opened for a test that nobody would await."""
        if SITE not in getattr(item, "fixturenames", ()) or not inspect.iscoroutinefunction(getattr(item, "obj", None)):
            return
        if any(item.get_closest_marker(name) for name in ("asyncio", "anyio")):
            return
        if not self._config.pluginmanager.has_plugin("asyncio"):
            pytest.fail(
                "pytest-asyncio is not installed, or is turned off, so that nothing awaits this test: "
                "pip install 'farend[pytest]'",
                pytrace=False,
            )
        pytest.fail(
            "nothing awaits this test: mark it with @pytest.mark.asyncio, or write 'asyncio_mode = auto' into the ini "
            "file",
            pytrace=False,
        )

    @pytest.hookimpl(wrapper=True)
    def pytest_pyfunc_call(self, pyfuncitem: pytest.Function) -> Generator[None, object, object]:
        """The end of a test belongs to the test: what comes out of it then fails it, with its matrix."""
        live = pyfuncitem.stash.get(LIVE, None)
        if live is None:
            return (yield)
        from harness.plugin.opened import ended

        try:
            result = yield
        except BaseException as exc:
            failed = ended(live, pyfuncitem, self.settings.seed, exc)
            if isinstance(exc, KeyboardInterrupt):
                self._tell_interrupted(pyfuncitem, exc)
            if failed is None:
                raise
            pyfuncitem.stash[AT_END] = failed
            raise failed from None
        failed = ended(live, pyfuncitem, self.settings.seed, None)
        if failed is not None:
            pyfuncitem.stash[AT_END] = failed
            raise failed
        return result

    def _tell_interrupted(self, item: pytest.Function, exc: BaseException) -> None:
        """pytest reports nothing of a test that is interrupted, and JUnit XML has a case without a name for it.

        A worker of pytest-xdist is listened to no longer by then.
        """
        said = "\n".join(["interrupted", *getattr(exc, "__notes__", ()), f"record: {item.stash[LIVE].record}"])
        report = pytest.TestReport(
            nodeid=item.nodeid,
            location=item.location,
            keywords={},
            outcome="failed",
            longrepr=said,
            when="call",
        )
        item.ihook.pytest_runtest_logreport(report=report)

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_makereport(
        self, item: pytest.Item, call: pytest.CallInfo[None]
    ) -> Generator[None, pytest.TestReport, pytest.TestReport]:
        """The block of a failure, in its own columns and not behind an E; and where the record is."""
        report = yield
        block = getattr(call.excinfo.value, "block", "") if call.excinfo is not None else ""
        if call.excinfo is not None and call.excinfo.value is item.stash.get(AT_END, None):
            _without_frames(report)
        add_section = getattr(report.longrepr, "addsection", None)
        if block and add_section is not None:
            add_section("farend", block)
        live = item.stash.get(LIVE, None)
        if report.failed and not block and live is not None:
            report.sections.append(("farend record", str(live.record)))
        return report

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """Tests that pass, but only since something unknown is allowed, are told at the end, of workers too."""
        rows = rows_of(report.user_properties) if report.when == "call" and report.passed else []
        if rows:
            self._by_allow[report.nodeid] = rows
        elif report.failed:
            self._by_allow.pop(report.nodeid, None)

    # --- sessions -----------------------------------------------------------------------------------

    def _site(self) -> tuple[Site, Documents]:
        if self._read is None:
            from harness.site.files_beside import with_files_beside
            from harness.site.reading import gather, read_site

            documents = gather(self.settings.site)
            read, _ = read_site(documents.files, documents.entry)
            self._read = with_files_beside(read, self.settings.site.parent), documents
        return self._read

    def _open_for(self, node: pytest.Item | pytest.Collector) -> Opened:
        from harness.plugin.bridge import LoopThread
        from harness.plugin.opened import Opened

        is_session = isinstance(node, pytest.Session)
        what = "all tests" if is_session else node.nodeid
        site, documents = self._site()
        self.settings.records.mkdir(parents=True, exist_ok=True)
        record = record_of(self.settings.records, site.name, "" if is_session else what)
        options = options_of(self.settings, site, record, self.settings.seed + self._opened, what)
        if self._thread is None:
            self._thread = LoopThread()
        with putting_back_at_sigterm():
            return Opened(site, documents, options, self._thread)

    def _take(self, site: Site) -> None:
        """The device, for as long as a session is open. Workers of pytest-xdist take turns, test by test.

        With a wider scope there is no turn to wait for: pytest-xdist may end no worker before all have run their tests.
        """
        if self._lock is None:
            from harness.plugin.lock import DeviceLock

            self._lock = DeviceLock(site)
        of_xdist = getattr(self._config, "workerinput", {})
        worker = of_xdist.get("workerid", "")
        run = of_xdist.get("testrunuid", "") if self.settings.scope == "function" else ""
        who = f"{f'worker {worker} of ' if worker else ''}pytest in {self._config.rootpath}"
        self._lock.take(who, run, TURN_MAX_S)

    def pytest_report_header(self) -> str:
        """One line: what would be raised at, and where it is kept."""
        arm = self.settings.arm
        armed = f"armed with {arm}" if arm else "not armed, so that nothing can be raised (--farend-arm)"
        return f"farend: {self.settings.site}, {armed}; records: {self.settings.records}"

    def pytest_terminal_summary(self, terminalreporter: pytest.TerminalReporter) -> None:
        """What passed only by an allow, and what is left to do once nothing is raised any more."""
        for line in summary(self._by_allow):
            terminalreporter.write_line(line, yellow=True)
        for text in self._still_open:
            terminalreporter.write_line(f"STILL OPEN: {text}", red=True)

    def pytest_unconfigure(self) -> None:
        """Whatever came between: put back what is raised, and end the thread."""
        for opened in list(self._open):
            opened.close()
        self._open.clear()
        if self._thread is not None:
            self._thread.close()
            self._thread = None
        if self._lock is not None:
            self._lock.release()


def record_of(folder: Path, site: str, what: str) -> Path:
    """A new record's name: site, local start time, and the test that it is of."""
    stamp = datetime.now(UTC).astimezone().strftime("%Y%m%d-%H%M%S")
    last = what.rpartition("/")[2].replace(".py", "", 1)
    name = re.sub(r"[^\w.\[\]-]+", "-", last).strip("-")[-NAME_MAX:].strip("-")
    stem = "-".join(it for it in (site, stamp, name) if it)
    path, number = folder / f"{stem}.farend", 2
    while path.exists():
        path, number = folder / f"{stem}-{number}.farend", number + 1
    return path


def _without_frames(report: pytest.TestReport) -> None:
    """Only what is wrong: the frames lead from pytest to here. As it is where pytest has another form for it."""
    traceback = getattr(report.longrepr, "reprtraceback", None)
    for entry in getattr(traceback, "reprentries", ())[-1:]:
        told = textwrap.dedent("\n".join(line[1:] for line in entry.lines if line.startswith("E")))
        if told:
            entry.lines = [f"E   {line}" for line in told.splitlines()]
            entry.reprfuncargs = entry.reprfileloc = None
            traceback.reprentries = [entry]  # type: ignore[union-attr]  # it has them


@contextmanager
def putting_back_at_sigterm() -> Iterator[None]:
    """Within, SIGTERM is as good as Ctrl-C: who stops a build does not stop to clear alarms."""
    is_main = threading.current_thread() is threading.main_thread()
    if not is_main or signal.getsignal(signal.SIGTERM) is not signal.SIG_DFL:
        yield
        return

    def stop(number: int, frame: FrameType | None) -> None:  # noqa: ARG001  # as it is called
        raise KeyboardInterrupt

    signal.signal(signal.SIGTERM, stop)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, signal.SIG_DFL)
