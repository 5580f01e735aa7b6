"""One test from start to end: gate, listen, raise, put back. What comes out is a record; it is judged afterwards."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING, Final

from harness.core.as_left import FoundValue
from harness.core.errors import SafetyError, UsageError
from harness.core.instants import NS_PER_S, Clock
from harness.core.model import Site
from harness.links.person_reports import Attend
from harness.record.header import Header
from harness.record.writer import RecordWriter
from harness.results.judging import END_EVENT, ENTRY_KEY, MAP_KEY, PLAN_EVENT, RESUMES_KEY
from harness.results.ledger import AT_END, AT_START, LEDGER_EVENT
from harness.results.steps import RETEST_EVENT
from harness.run.by_hand import ByHand, too_fine_by_hand
from harness.run.clearing_left import ToClear, check_to_clear
from harness.run.conduct import Conductor
from harness.run.gate import Reviews, pass_gate
from harness.run.guide import Guide
from harness.run.ledger_gate import KeptLedger, ledger_kept, pass_ledger
from harness.run.live import KEPT_POLLS_STEPWISE_MAX, LiveSource
from harness.run.order import (
    Item,
    Selection,
    check_selection,
    plan_of,
    raised_at_most_ns,
)
from harness.run.raising import Hand, Written
from harness.run.restoring import ReadWritable
from harness.run.spread import Spread
from harness.run.steering import Steering
from harness.run.still_allowed import StillAllowed
from harness.run.tools import CLEAR_FOR_NS, Tools, View
from harness.run.trials import CLAIM_EVENT, SEARCH_EVENT, Claim, Search
from harness.run.variants import pairs_of, sweep_of
from harness.run.while_listening import Conducts, listen_and_raise
from harness.site.permission import check_acknowledgeable, check_listed, check_word
from harness.site.reading import Documents

if TYPE_CHECKING:
    from harness.stimulus.armed import ArmedWriter


STOPPED_BY_USER: Final = "stopped by the user"

GUIDED_STEP_NS: Final = 120 * NS_PER_S
"""What a person takes for one alarm besides what its outputs take, to go there and come back: common practice, no
source. It only says how long whoever was told of the test must know of it."""


ConductorOf = Callable[[Tools, Sequence[Item], Sequence[ToClear]], Conducts]
"""Makes one of the tools of a run, what may be raised, and what earlier runs left raised."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TestOptions:
    """What the user asked for."""

    record: Path
    selection: Selection
    arm: str | None
    reviews: Reviews | None
    who: str
    seed: int
    repeat: int = 1
    together: bool = False
    """Also raise alarms two at a time, for the outputs that they share."""
    held_ns: tuple[int, ...] = ()
    """Not empty: no test but a sweep, each alarm held for each of these times, ``repeat`` times."""
    clear_for_ns: int = CLEAR_FOR_NS
    claim: Claim | None = None
    """No more trials than it takes to decide it."""
    search: Search | None = None
    """Of the shortest alarm that each output shows: says for how long the next one is held."""
    guided: bool = False
    """A person raises, step by step; farend writes nothing, so that no word arms it."""
    stepwise: bool = False
    """A program says what is raised and when: what is planned is entered with each raise."""
    standing: Mapping[str, str] = field(default_factory=dict)
    """Points and alarms that are known to be on, and why; besides those of the reviews."""
    standing_anything: str = ""
    """Of a simulated site: why whatever is on is known. A real site's alarms are confirmed by name."""
    resumes: tuple[str, ...] = ()
    """Names of the records that this one goes on from."""
    retests: Mapping[str, str] = field(default_factory=dict)
    """By alarm that was tested before: why it is tested again."""
    ledger: Path | None = None
    """The ledger of the site; without one none is kept, unless the site file wants somebody told."""
    inhibited: tuple[str, ...] = ()
    """Inhibits that an earlier run or day left in place, and that are meant for this run."""
    to_clear: tuple[ToClear, ...] = ()
    """What earlier runs left raised."""
    command: tuple[str, ...]

    __test__ = False  # pytest takes classes of this name for its own

    def spread(self, site: Site) -> Spread:
        """Over how long a time its raises are spread."""
        return Spread(site, repeat=self.repeat, held_ns=self.held_ns, by_hand=self.guided)


def gated_plan(site: Site, options: TestOptions) -> tuple[Item, ...]:
    """The plan after the safety gate. SafetyError or UsageError where it must not, or cannot, go ahead."""
    check_selection(site, options.selection)
    items = plan_of(site, options.selection)
    if not items:
        raise UsageError("nothing is selected: no row of the point map fits --only, --link, --failed and --unknown")
    raised = [item for item in items if options.guided or item.can_be_raised]
    refusals = []
    if not options.guided:
        try:
            check_word(site, options.arm)
        except SafetyError as exc:
            refusals.append(str(exc))
    excluded: tuple[str, ...] = ()
    try:
        excluded = pass_gate(site, (item.alarm for item in raised), options.reviews)
    except SafetyError as exc:
        refusals.append(str(exc))
    try:
        pass_ledger(site, options.ledger, options.inhibited, takes_ns(site, raised, options))
    except SafetyError as exc:
        refusals.append(str(exc))
    if refusals:
        raise SafetyError("\n".join(refusals))
    items = tuple(item for item in raised if item.alarm.name not in excluded)
    if not items:
        raise SafetyError(
            "none of the selected alarms can be raised: none has 'raise' and 'clear' writes in the site file, or all "
            "are excluded by the reviews"
        )
    check_to_clear(site, options.to_clear, is_armed=not options.guided)
    for item in () if options.guided else items:
        for writes in item.alarm.writes.values():
            for write in writes:
                check_listed(site, write)
        for acknowledgement in item.alarm.acknowledgements:
            check_acknowledgeable(site, acknowledgement)
    return items


def takes_ns(site: Site, items: Sequence[Item], options: TestOptions) -> int:
    """How long a plan takes at the most, in nanoseconds: so long must whoever was told of it know of it.

    Nobody can say how long a person takes who can stop and go on tomorrow, or what a program raises: then it is the
    longest alarm. Before each alarm it is asked again in any case.
    """
    spread = options.spread(site)
    if options.guided or options.stepwise:
        return max((_alarm_ns(site, item, options, spread) for item in items), default=0)
    return sum(_alarm_ns(site, item, options, spread) for item in _raises(site, items, options))


def _alarm_ns(site: Site, item: Item, options: TestOptions, spread: Spread) -> int:
    # A program may raise it again and again, and hold it for as long as it may be raised at all.
    stated_ns = item.held_ns or max(options.held_ns, default=0)
    held_ns = raised_at_most_ns(site, item) if options.stepwise else stated_ns
    longest_ns = spread.longest_ns(item, is_again=options.stepwise)
    return longest_ns + held_ns + (GUIDED_STEP_NS if options.guided else 0)


def _objection(site: Site, options: TestOptions, kept: KeptLedger | None) -> Callable[[Item], str] | None:
    """Asks before each alarm whether the reviews still hold, and whether whoever was told still knows of the test."""
    if kept is None and (options.reviews is None or options.reviews.expires is None):
        return None
    allowed = StillAllowed(site=site, reviews=options.reviews, ledger=kept)
    spread = options.spread(site)
    return lambda item: allowed.objection(_alarm_ns(site, item, options, spread))


async def run_test(
    site: Site,
    documents: Documents,
    options: TestOptions,
    clock: Clock,
    view: View,
    attend: Attend | None = None,
    follow: Callable[[LiveSource], None] | None = None,
    guide: Guide | None = None,
    conductor_of: ConductorOf = Conductor,
) -> str:
    """Run a whole test into ``options.record``. Returns '' or why it ended early. Cancelling it puts things back.

    Without ``attend`` nobody reports what only persons see, and it is not observed. ``follow`` is given what is
    observed, to show it. ``guide`` leads the person of a guided test. ``conductor_of``: who raises, and when.

    Raises SafetyError before anything is opened where the gate refuses.
    """
    items = gated_plan(site, options)
    header = _header(site, documents, options, clock)
    journal = RecordWriter.create(options.record, header, documents.files, clock)
    live = _observed(site, options, journal, clock, follow)
    _enter_plan(site, options, items, journal, clock, view, guide)
    why = "stopped by an error"
    ledger = None
    try:
        ledger = _begin_ledger(site, options)
        if ledger is not None:
            journal.event(LEDGER_EVENT, clock(), ledger.told(AT_START))
        async with _tools(site, options, items, journal, live, clock, view, guide, ledger) as tools:
            why = await listen_and_raise(
                tools,
                _raises(site, items, options),
                header.anchor.monotonic_ns,
                attend,
                lambda attended, planned: conductor_of(attended, planned, options.to_clear),
            )
    except asyncio.CancelledError:
        why = STOPPED_BY_USER
    finally:
        await _end(journal, ledger, clock, why)
    return why


def _header(site: Site, documents: Documents, options: TestOptions, clock: Clock) -> Header:
    """The front page of the record."""
    return Header.now(
        clock,
        site=site.name,
        title=site.title,
        seed=options.seed,
        command=options.command,
        operator=options.who,
        extra={ENTRY_KEY: documents.entry, MAP_KEY: documents.point_map, RESUMES_KEY: list(options.resumes)},
    )


def _observed(
    site: Site,
    options: TestOptions,
    journal: RecordWriter,
    clock: Clock,
    follow: Callable[[LiveSource], None] | None,
) -> LiveSource:
    """What is observed from now on, kept to go on by and to show."""
    live = LiveSource(site, clock, polls_max=KEPT_POLLS_STEPWISE_MAX if options.stepwise else None)
    if follow is not None:
        follow(live)
    journal.subscribe(live)
    return live


def _enter_plan(
    site: Site,
    options: TestOptions,
    items: Sequence[Item],
    journal: RecordWriter,
    clock: Clock,
    view: View,
    guide: Guide | None,
) -> None:
    """What is set out to be tested and on which decisions, into the record; what is left out, to the person."""
    # All that was selected counts as planned, raised or not: what cannot be raised, or was excluded, is never a pass.
    selected = plan_of(site, options.selection)
    # Where a program raises, what it raises is planned.
    is_planned = not options.held_ns and not options.stepwise
    rows: list[str] = [row.key for item in selected for row in item.rows if is_planned]
    planned = () if options.stepwise else selected
    links = {item.alarm.name: sorted({site.points[row.point].link for row in item.rows}) for item in planned}
    left_out = {item.alarm.name for item in selected} - {item.alarm.name for item in items}
    if guide is not None:
        text = too_fine_by_hand(site, items)
        if text:
            view.trouble(text)
    if left_out:
        view.trouble(f"not raised, so unknown: {', '.join(sorted(left_out))} (no writes in the site file, or excluded)")
    journal.event(PLAN_EVENT, clock(), {"rows": rows, "links": links})
    if options.claim is not None:
        journal.event(CLAIM_EVENT, clock(), options.claim.to_data())
    if options.search is not None:
        journal.event(SEARCH_EVENT, clock(), options.search.to_data())
    for alarm, reason in options.retests.items():
        journal.event(RETEST_EVENT, clock(), {"alarm": alarm, "reason": reason})
    if options.reviews is not None:
        journal.event("reviews", clock(), options.reviews.to_data())


def _steering(options: TestOptions, items: Sequence[Item]) -> Steering | None:
    plan = options.search or options.claim
    return None if plan is None else plan.steering(items)


async def _read_writable(site: Site, writer: ArmedWriter) -> tuple[FoundValue, ...]:
    """What every writable point holds now, over connections that are closed again: a device may have few of them."""
    from harness.stimulus.as_found import read_writable

    devices = writer.devices.apart()
    try:
        return await read_writable(site, devices)
    finally:
        await devices.close()


@asynccontextmanager
async def _tools(
    site: Site,
    options: TestOptions,
    items: Sequence[Item],
    journal: RecordWriter,
    live: LiveSource,
    clock: Clock,
    view: View,
    guide: Guide | None,
    ledger: KeptLedger | None,
) -> AsyncIterator[Tools]:
    """All that a conductor works with but the reports of persons, who are listened to only later."""
    by_reviews = {} if options.reviews is None else options.reviews.standing
    async with _hand(site, options, live, clock, guide) as (hand, read_writable):
        yield Tools(
            site=site,
            clock=clock,
            live=live,
            journal=journal,
            hand=hand,
            view=view,
            random=Random(options.seed),
            spread=options.spread(site),
            standing={**by_reviews, **options.standing},
            standing_anything=options.standing_anything,
            guide=guide,
            objection=_objection(site, options, ledger),
            clear_for_ns=options.clear_for_ns,
            steering=_steering(options, items),
            read_writable=read_writable,
        )


@asynccontextmanager
async def _hand(
    site: Site, options: TestOptions, live: LiveSource, clock: Clock, guide: Guide | None
) -> AsyncIterator[tuple[Hand, ReadWritable | None]]:
    """Who raises: the person whom the guide leads, or farend; and what reads the writable points, where farend writes.

    What can write is not even there where a person raises.
    """
    if guide is not None:
        yield ByHand(site, guide, live), None
        return
    from harness.stimulus.armed import ArmedWriter

    async with ArmedWriter(site, clock, options.arm) as writer:
        yield Written(writer, live, clock), lambda: _read_writable(site, writer)


def _raises(site: Site, items: Sequence[Item], options: TestOptions) -> tuple[Item, ...]:
    """Everything that is raised, in order."""
    if options.held_ns:
        return tuple(sweep_of(items, options.held_ns, options.repeat))
    pairs = pairs_of(site, items) if options.together else ()
    return (*items, *pairs) * options.repeat


def _begin_ledger(site: Site, options: TestOptions) -> KeptLedger | None:
    """Enter the run into the ledger; None where none is kept."""
    ledger = ledger_kept(site, options.ledger, options.inhibited)
    if ledger is None:
        return None
    return KeptLedger.begin(ledger, site, options.record, options.who, options.inhibited, time.time_ns)


async def _end(journal: RecordWriter, ledger: KeptLedger | None, clock: Clock, why: str) -> None:
    """Enter what the ledger tells at the end, and why it is the end; close the record."""
    if ledger is not None:
        journal.event(LEDGER_EVENT, clock(), await asyncio.to_thread(ledger.told, AT_END))
    journal.event(END_EVENT, clock(), {"why": why})
    await asyncio.to_thread(journal.close)


def record_name(site: str, folder: Path) -> Path:
    """A new record's name: site and local start time to the second, then a number where that is taken."""
    stamp = datetime.now(UTC).astimezone().strftime("%Y%m%d-%H%M%S")
    path = folder / f"{site}-{stamp}.farend"
    number = 2
    while path.exists():
        path = folder / f"{site}-{stamp}-{number}.farend"
        number += 1
    return path
