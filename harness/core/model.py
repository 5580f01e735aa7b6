"""The model of a site, and of what was done to it and seen of it. Frozen values without behaviour of their own."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum, unique
from typing import Final

from harness.core.declared_times import DeclaredTimes
from harness.core.errors import Origin
from harness.core.history_format import HistoryFormat
from harness.core.instants import NS_PER_MS, NS_PER_S, Bounds
from harness.core.links import LinkSpec
from harness.core.places import ObjectType, Place
from harness.core.verdicts import Verdict
from harness.core.writing import AnyWritable, AnyWrite

# --- what a site is -------------------------------------------------------------------------------


@unique
class AlarmClass(StrEnum):
    """What kind of condition it is."""

    ALARM = "alarm"
    WARNING = "warning"
    FAULT = "fault"


@dataclass(frozen=True, slots=True, kw_only=True)
class SideEffect:
    """What a raised alarm does in the real world; reviewed before anything is raised."""

    name: str
    text: str
    hazard: str
    safeguard: str
    origin: Origin


@unique
class Decision(StrEnum):
    """What was decided about a side effect before anything was raised."""

    ACCEPTED = "accepted"
    ISOLATED = "isolated"
    EXCLUDED = "excluded"


@dataclass(frozen=True, slots=True, kw_only=True)
class Acknowledgement:
    """AcknowledgeAlarm of what an object last notified (ASHRAE 135, 13.5): like a write, it changes the device."""

    link: str
    object_type: ObjectType
    instance: int


@unique
class Step(StrEnum):
    """The steps of a stimulus, in the order in which they usually come."""

    RAISE = "raise"
    SILENCE = "silence"
    ACKNOWLEDGE = "acknowledge"
    CLEAR = "clear"
    RESET = "reset"


@dataclass(frozen=True, slots=True, kw_only=True)
class Alarm:
    """One condition that the controller can raise.

    ``side_effects``: names, () where the file says ``none``, None where it says nothing (unknown, and refuses).
    ``lasts_ns``: an alarm that clears by itself after this time (closed bounds), else None.
    ``reference``: the point trusted to say when it was really raised and cleared.
    ``writes``: how farend raises it when armed; a step without an entry is done by a person.
    ``acknowledgements``: how farend acknowledges it when armed, besides the writes of that step.
    ``acknowledge_after``: as the site says it, () where it says nothing; see ``acknowledged_after``.
    ``hold_off_ns``, ``raised_at_most_ns``, ``isolated_by``: its own, in place of those of the site.
    """

    name: str
    alarm_class: AlarmClass
    priority: int | None
    text: str
    side_effects: tuple[str, ...] | None
    also_raises: tuple[str, ...] = ()
    lasts_ns: Bounds | None = None
    reference: str | None = None
    writes: Mapping[Step, tuple[AnyWrite, ...]] = field(default_factory=dict)
    acknowledgements: tuple[Acknowledgement, ...] = ()
    acknowledge_after: tuple[Step, ...] = ()
    hold_off_ns: int | None = None
    raised_at_most_ns: int | None = None
    isolated_by: str = ""
    by_hand: str = ""
    """What a person does, and where, to raise it."""
    origin: Origin

    def can_be_done(self, step: Step) -> bool:
        """True where farend can do a step of it: by writing, or by acknowledging events."""
        return step in self.writes or (step is Step.ACKNOWLEDGE and bool(self.acknowledgements))

    @property
    def acknowledged_after(self) -> tuple[Step, ...]:
        """It is tested once for each: acknowledged after the raise, while it is active, or after the clear.

        What clears by itself is acknowledged after that: a test is not to hang on who is faster.
        """
        return (Step.CLEAR,) if self.lasts_ns is not None else self.acknowledge_after or (Step.RAISE,)


HOLD_ASSUMED_NS: Final = 1 * NS_PER_S
"""Assumed for a point whose hold is not declared: common practice, no source. Printed with every result."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Hold:
    """The shortest time for which a point is ever on, and off. It rules out only what no sample saw."""

    on_ns: int = HOLD_ASSUMED_NS
    off_ns: int = HOLD_ASSUMED_NS
    on_declared: bool = False
    off_declared: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One place on a link where alarms appear. ``written`` is the address as the user's file wrote it."""

    name: str
    link: str
    place: Place
    hold: Hold = field(default_factory=Hold)
    written: str = ""
    origin: Origin


@unique
class Behaviour(StrEnum):
    """How a point should act while its alarm goes through its states."""

    FOLLOWS = "follows"
    UNTIL_ACKNOWLEDGED = "until-acknowledged"
    LATCHED = "latched"
    PULSE = "pulse"
    QUIET = "quiet"


SEARCH_DEFAULT_NS: Final = 30 * NS_PER_S
HOLD_OFF_DEFAULT_NS: Final = 3 * NS_PER_S
"""Long enough to see what is about to be raised and to stop it: common practice, no source."""
KEY_WITHIN_DEFAULT_NS: Final = 1 * NS_PER_S
"""For the key of a step that one did oneself: common practice, no source. Timekeepers who expect an event
press 0.11 s after it, standard deviation 0.07 s ("Manual timing in physics experiments: Error and uncertainty",
Am. J. Phys. 87(2), 2019, p. 110): 95 % of them from 0.03 s before it to 0.25 s after it."""
KEY_WITHIN_LEAST_NS: Final = 250 * NS_PER_MS
KEY_BEFORE_NS: Final = 100 * NS_PER_MS
"""How long before the step its key may be pressed, by who does both at once: three times what the source above says."""

RAISED_AT_MOST_DEFAULT_NS: Final = 300 * NS_PER_S
"""Five minutes: longer than any step that waits for outputs in sight, short enough that nobody forgets: common
practice, no source."""
SETTLE_DEFAULT_NS: Final = 2 * NS_PER_S
LEAK_DEFAULT_NS: Final = 1 * NS_PER_S


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What an expectation demands; None means that no such limit was set. All in nanoseconds.

    ``search_ns`` is at least ``appears_within_ns``; a sighting later than it no longer belongs to this raise.
    ``settle_ns``: how long after the last deadline a second onset still counts as ``repeated``.
    ``leak_ns``: for ``quiet``, the shortest leak looked for.
    """

    appears_within_ns: int | None = None
    visible_for_ns: int | None = None
    gone_within_ns: int | None = None
    dwell_ns: int = 0
    search_ns: int = SEARCH_DEFAULT_NS
    settle_ns: int = SETTLE_DEFAULT_NS
    leak_ns: int = LEAK_DEFAULT_NS


@dataclass(frozen=True, slots=True, kw_only=True)
class Expectation:
    """One row of the point map, after patterns and classes were spread out: one alarm at one point.

    ``key`` is unique in a site and stable over edits elsewhere: ``alarm@point``.
    ``released_by``: what a person does to release it, where a behaviour leaves a choice (``core.behaviours``); left as
    it is, nothing was declared. ``Step.SILENCE``: a horn, released by silence or by acknowledge, whichever comes first.
    """

    key: str
    alarm: str
    point: str
    behaviour: Behaviour
    limits: Limits
    released_by: Step = Step.ACKNOWLEDGE
    time_delay_ns: int | None = None
    """Of the BACnet object, where the row declares it (ASHRAE 135, 13.3); for ``farend budget`` alone."""
    time_delay_normal_ns: int | None = None
    driven_to: float | None = None
    """To what the alarm drives the value of a current loop, in its units; for ``farend budget`` alone."""
    origin: Origin


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """A whole site file with its point map, read and checked."""

    name: str
    title: str
    controller: str
    firmware: str
    links: Mapping[str, LinkSpec]
    points: Mapping[str, Point]
    alarms: Mapping[str, Alarm]
    side_effects: Mapping[str, SideEffect]
    writable: tuple[AnyWritable, ...]
    expectations: tuple[Expectation, ...]
    behind: Mapping[str, str] = field(default_factory=dict)
    """For each link whose device polls another one: the link of that one. What fails at both is passed on."""
    times: Mapping[str, DeclaredTimes] = field(default_factory=dict)
    """What is declared of the times on each link; for ``farend budget`` alone."""
    acknowledgeable: tuple[str, ...] = ()
    """Links over which a stimulus may acknowledge events (AcknowledgeAlarm). Everything else is refused."""
    hold_off_ns: int = HOLD_OFF_DEFAULT_NS
    """From arming until the first raise; in it a person can still stop."""
    raised_at_most_ns: int = RAISED_AT_MOST_DEFAULT_NS
    """The dead-man limit: an alarm that was raised by writing is cleared after so long, whatever it is waited for."""
    isolated_by: str = ""
    """How what the alarms act on is isolated while they are raised, in the words of the site file."""
    by_hand: str = ""
    """What a person does to raise an alarm that says nothing of its own."""
    key_within_ns: int = KEY_WITHIN_DEFAULT_NS
    """How long after a step a person presses its key at the latest, who does not say to have been late."""
    notices: tuple[str, ...] = ()
    """Whom to tell before a test, and that it is over afterwards; kept in the ledger of the site."""
    history: HistoryFormat | None = None
    """How the controller writes its own alarm history, where the site file says so."""
    notes: tuple[str, ...] = ()
    """Assumptions and defaults in force, in words; printed with the results."""

    def times_of(self, link: str) -> DeclaredTimes:
        """What is declared of the times on a link."""
        return self.times.get(link) or DeclaredTimes()

    def hold_off_of(self, alarm: str) -> int:
        """How long arming waits before it raises an alarm, in nanoseconds."""
        own = self.alarms[alarm].hold_off_ns
        return self.hold_off_ns if own is None else own

    def raised_at_most_of(self, alarm: str) -> int:
        """The dead-man limit of an alarm, in nanoseconds."""
        own = self.alarms[alarm].raised_at_most_ns
        return self.raised_at_most_ns if own is None else own

    def isolated_by_of(self, alarm: str) -> str:
        """How what an alarm acts on is isolated, or ''."""
        return self.alarms[alarm].isolated_by or self.isolated_by

    def by_hand_of(self, alarm: str) -> str:
        """What a person does to raise an alarm, in the words of the site file, or ''."""
        return self.alarms[alarm].by_hand or self.by_hand

    @property
    def clearing_hangs_on_farend(self) -> tuple[str, ...]:
        """The alarms that farend raises and that do not end by themselves: their clearing is not guaranteed."""
        return tuple(it.name for it in self.alarms.values() if Step.RAISE in it.writes and it.lasts_ns is None)

    def before(self, link: str) -> tuple[str, ...]:
        """The links behind which a link is, the nearest first."""
        found: list[str] = []
        while (name := self.behind.get(link)) is not None and name not in found and name != link:
            found.append(name)
            link = name
        return tuple(found)

    def expectations_of(self, alarm: str) -> tuple[Expectation, ...]:
        """The rows for one alarm, in the order of the point map."""
        return tuple(row for row in self.expectations if row.alarm == alarm)

    def brought_along(self, alarm: str) -> tuple[str, ...]:
        """The names of the alarms that come up with ``alarm``, directly or through others, the nearest first."""
        found: dict[str, None] = {}
        ahead = list(self.alarms[alarm].also_raises)
        while ahead:
            name = ahead.pop(0)
            if name != alarm and name in self.alarms and name not in found:
                found[name] = None
                ahead += self.alarms[name].also_raises
        return tuple(found)


# --- what was done and what was seen ---------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Stimulus:
    """One simulated alarm event. Each step is known within closed bounds; None: it was not done (yet).

    A later step may overlap the raise only as far as its bounds are wide. ``proven`` is False where a write got no
    answer and no read-back, or a person could not say: then nothing is judged from it. ``how``: who or what raised it.
    """

    id: str
    alarm: str
    raised: Bounds
    silenced: Bounds | None = None
    acknowledged: Bounds | None = None
    reset: Bounds | None = None
    cleared: Bounds | None = None
    proven: bool = True
    how: str = ""
    timed_by: str = ""
    """The reference point that timed it, or '' where the stimulus's own bounds did."""
    together: str = ""
    """Of those raised together: the id that they share; at an output that they share they are judged as one."""
    held_for_ns: int | None = None
    """Of a sweep: for how long it was to be held. It is counted, and judged by no row."""
    finest_ns: int = 0
    """Timed by a person's key: nothing finer than this is certified by it, unless a reference point timed it."""
    stopped: bool = False
    """It was put back before it had been seen through, so not to show, or not for long enough, is no fail."""

    def __post_init__(self) -> None:
        for name in ("silenced", "acknowledged", "reset", "cleared"):
            step: Bounds | None = getattr(self, name)
            if step is not None and step.hi < self.raised.lo:
                raise ValueError(
                    f"Stimulus {self.id}: {name}.hi={step.hi} comes before raised.lo={self.raised.lo}; "
                    "a stimulus is raised before it is silenced, acknowledged, reset or cleared"
                )

    @property
    def later(self) -> tuple[Bounds, ...]:
        """Bounds of every step behind the raise that was done."""
        steps = (self.silenced, self.acknowledged, self.reset, self.cleared)
        return tuple(step for step in steps if step is not None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sighting:
    """An alarm seen at a point. ``first``/``last``: index of its first and last on-sample in the trace.

    ``widest_gap_ns``: the widest gap between two samples inside it (0 where there is one sample).
    """

    point: str
    onset: Bounds
    end: Bounds
    first: int
    last: int
    widest_gap_ns: int = 0


@unique
class CauseKind(StrEnum):
    """What is wrong, from the wire upwards."""

    TRANSPORT = "transport"
    IDENTITY = "identity"
    ADDRESS = "address"
    DECODING = "decoding"
    MEANING = "meaning"
    TIME = "time"
    STIMULUS = "stimulus"
    OBSERVATION = "observation"


@dataclass(frozen=True, slots=True, kw_only=True)
class Equal:
    """A cause that the evidence cannot tell apart from the one it stands with: just as likely."""

    kind: CauseKind
    code: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """One likely cause: what it is, the evidence for it, the next thing to check. ``code`` is short and stable.

    ``equals``: what the evidence cannot tell apart from it. ``deciding``: the observation that would, '' where there
    is nothing to decide.
    """

    kind: CauseKind
    code: str
    text: str
    evidence: str
    next_check: str
    equals: tuple[Equal, ...] = ()
    deciding: str = ""

    @property
    def codes(self) -> tuple[str, ...]:
        """Its own code, and those of its equals."""
        return (self.code, *(it.code for it in self.equals))


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """What the correlator says of one stimulus at one expectation. All bounds in nanoseconds.

    ``also``: further fails that are proven. ``attributed``: the onset lies wholly after the raise.
    ``assumptions``: what was taken on trust for this verdict. ``reason``: why it is unknown or failed, in a sentence.
    ``causes``: ranked, the likeliest first. ``elsewhere``: the point at which a crossed alarm appeared instead; its
    onset, end and latency are those there.
    """

    expectation: str
    alarm: str
    point: str
    stimulus: str
    verdict: Verdict
    also: tuple[Verdict, ...] = ()
    onset: Bounds | None = None
    end: Bounds | None = None
    latency: Bounds | None = None
    visible: Bounds | None = None
    attributed: bool = False
    samples: int = 0
    widest_gap_ns: int | None = None
    reason: str = ""
    assumptions: tuple[str, ...] = ()
    causes: tuple[Cause, ...] = ()
    elsewhere: str = ""
    is_doubted: bool = False
    """What was seen may not be this stimulus's (the point was not ready, or two pairings are equally good, or the time
    of the stimulus is contradicted): nothing is measured from it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stray:
    """A sighting that nothing raised explains."""

    point: str
    onset: Bounds
    end: Bounds
    reason: str = ""
    causes: tuple[Cause, ...] = ()

    @property
    def verdict(self) -> Verdict:
        """Always ``stray``."""
        return Verdict.STRAY


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """Everything that was judged of one record, in the order of raising and of the point map."""

    results: tuple[Result, ...]
    strays: tuple[Stray, ...]
    causes: tuple[Cause, ...] = ()
    """Causes that explain several results at once."""
    failures_of_checkers: tuple[str, ...] = ()
    """Tracebacks of checkers that crashed; each made its results unknown."""
