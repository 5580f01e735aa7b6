"""What defects do to the outputs of the controller, between its states and what a reader sees.

Some change *where* a signal shows (``shape``), some *when* (``Sender``), some whether a block changes at all
(``Blocks``). Without defects all three do nothing.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence

from pymodbus.constants import ExcCodes

from sims.alarm_states import AlarmState
from sims.defect_kinds import Name
from sims.defects import Defect
from sims.outputs import OutputQueue, locate
from sims.points import (
    ALARM_POINTS,
    COMMON_POINTS,
    HORN,
    LATCHED,
    PRINTER,
    REMOTE,
    SPARE,
    STATES,
    TANK_ADDRESS,
    TANK_REGISTERS,
    Place,
    Point,
    Table,
    Word,
    parts,
    point_of,
)

_MOVES = (Name.WRONG_BIT, Name.SWAPPED_PAIR, Name.OFF_BY_ONE, Name.NEVER_APPEARS)
_OF_STATES = (Name.LATCHES, Name.UNLATCHED, Name.NOT_SILENCED)
_ORDERS = (Name.BYTE_ORDER, Name.WORD_ORDER)
_TIMED = (Name.TOO_SHORT, Name.LATE, Name.STUCK, Name.REPEATED_MESSAGE, Name.MOMENTARY)


class Shaper:
    """Moves signals between points."""

    def __init__(self, defects: Sequence[Defect]) -> None:
        self._defects = defects
        self._silenced: set[str] = set()  # alarms that were silenced and have not been normal since

    def shape(self, signals: Mapping[Point, int], states: Mapping[str, AlarmState]) -> dict[Point, int]:
        """What the points show when the controller means ``signals``; ``states``: how each alarm stands."""
        shaped = dict(signals)
        for defect in self._defects:
            if defect.name in _MOVES:
                _move(defect, shaped)
            elif defect.name is Name.INVERTED:
                point = point_of(defect.place, defect.alarm)
                shaped[point] = int(not shaped[point])
            elif defect.name is Name.LEAK and defect.alarm is not None:
                shaped[point_of(defect.place, defect.alarm)] = int(states[defect.alarm].active)
            elif defect.name is Name.SILENCED_TOO and defect.alarm is not None:
                point = point_of(defect.place, defect.alarm)
                shaped[point] = 0 if self._is_silenced(defect.alarm, signals, states) else shaped[point]
            elif defect.name in _OF_STATES:
                _by_states(defect, shaped, states)
            elif defect.name in _ORDERS and defect.place in (Place.STATES, Place.LATCHED):
                _reorder(defect, shaped)
        return shaped

    def _is_silenced(self, alarm: str, signals: Mapping[Point, int], states: Mapping[str, AlarmState]) -> bool:
        """Whether the horn was silenced since the alarm was last normal; what sounds anew is not silenced any more."""
        unacknowledged = states[alarm] is AlarmState.UNACK
        if states[alarm] is AlarmState.NORM or (unacknowledged and signals[HORN]):
            self._silenced.discard(alarm)
        elif unacknowledged:
            self._silenced.add(alarm)
        return alarm in self._silenced

    def printed_as(self, alarm_number: int) -> list[int]:
        """The numbers of the alarms whose text is printed when this one is acknowledged."""
        only_this = {point: int(point.address == alarm_number) for point in PRINTER}
        for defect in self._defects:
            if defect.name in _MOVES and defect.place is Place.PRINTER:
                _move(defect, only_this)
        return [point.address for point, value in only_this.items() if value]


def _reorder(defect: Defect, shaped: dict[Point, int]) -> None:
    """Bytes of a register, or registers of 32 bits, the wrong way round."""
    if defect.place is Place.STATES:
        shaped.update({point: swapped_bytes(shaped[point]) for point in STATES})
        return
    bits = (*LATCHED, *SPARE)
    values = [shaped.get(point, 0) for point in bits]
    by = 8 if defect.name is Name.BYTE_ORDER else 16
    shaped.update({bits[number ^ by]: value for number, value in enumerate(values)})


def swapped_bytes(register: int) -> int:
    """A register with its bytes the other way round."""
    return register >> 8 | (register & 0xFF) << 8


def _by_states(defect: Defect, shaped: dict[Point, int], states: Mapping[str, AlarmState]) -> None:
    """What the controller would not have computed so: a point that holds, one that does not, a horn that goes on."""
    remote = [states[alarm.name] for alarm in REMOTE]
    match defect.name:
        case Name.LATCHES if defect.alarm is not None:
            shaped[point_of(defect.place, defect.alarm)] = int(states[defect.alarm] is not AlarmState.NORM)
        case Name.NOT_SILENCED:
            shaped[point_of(defect.place, HORN.signal)] = int(AlarmState.UNACK in remote)
        case Name.UNLATCHED:
            state = states.get(defect.alarm or "")
            active = any(each.active for each in remote) if state is None else state.active
            point = point_of(defect.place, defect.alarm)
            shaped[point] = int(shaped[point] and active)


def _move(defect: Defect, shaped: dict[Point, int]) -> None:
    if defect.name is Name.OFF_BY_ONE:
        points = ALARM_POINTS[defect.place]
        values = [0, *(shaped[point] for point in points[:-1])]
        shaped.update(zip(points, values, strict=True))
        return
    point = point_of(defect.place, defect.alarm)
    value = shaped[point]
    if defect.name is Name.NEVER_APPEARS:
        shaped[point] = 0
        return
    other = point_of(defect.place, defect.other)
    if defect.name is Name.WRONG_BIT:
        shaped[point], shaped[other] = 0, max(value, shaped[other])
    else:
        shaped[point], shaped[other] = shaped[other], value


class Sender:
    """Puts what points are to show into the queue, at the time at which they are to show it."""

    def __init__(self, queue: OutputQueue, defects: Sequence[Defect]) -> None:
        self._queue = queue
        self._defects = {point_of(defect.place, defect.alarm): defect for defect in defects if defect.name in _TIMED}
        self._on: dict[Point, bool] = {}

    def send(self, point: Point, value: int, due_ns: int) -> None:
        """A point is to take a value. Each call for one point is due no earlier than the one before."""
        defect = self._defects.get(point)
        if defect is None:
            self._queue.put(point, value, due_ns)
            return
        rising = bool(value) and not self._on.get(point, False)
        self._on[point] = bool(value)
        span_ns = defect.duration_ns or 0
        match defect.name:
            case Name.LATE:
                self._queue.put(point, value, due_ns + span_ns)
            case Name.STUCK:
                if value:
                    self._queue.put(point, value, due_ns)
            case Name.TOO_SHORT:
                self._send_pulse(point, value, due_ns, (span_ns,), rising=rising)
            case Name.MOMENTARY:
                self._send_moment(point, due_ns, span_ns, changed=rising or not value)
            case _:
                self._send_pulse(point, value, due_ns, (span_ns, 2 * span_ns), rising=rising)

    def _send_moment(self, point: Point, due_ns: int, span_ns: int, *, changed: bool) -> None:
        """On, and off again by itself; one that is still on goes on from here."""
        if changed:
            self._queue.drop_made_up(point, due_ns)
            self._queue.put(point, 1, due_ns)
            self._queue.put(point, 0, due_ns + span_ns, made_up=True)

    def acknowledged(self, point: Point, due_ns: int) -> None:
        """The printer is to say that an alarm was acknowledged."""
        defect = self._defects.get(point)
        late_ns = defect.duration_ns or 0 if defect is not None and defect.name is Name.LATE else 0
        self._queue.put(point, Word.ACKED, due_ns + late_ns)

    def _send_pulse(self, point: Point, value: int, due_ns: int, toggles_ns: tuple[int, ...], *, rising: bool) -> None:
        """On at once, then off, on, … by itself; whatever of that lies beyond the real end is forgotten."""
        if rising:
            self._queue.put(point, value, due_ns)
            for number, toggle_ns in enumerate(toggles_ns):
                self._queue.put(point, value if number % 2 else 0, due_ns + toggle_ns, made_up=True)
        elif not value:
            left = self._queue.drop_made_up(point, due_ns)
            if (len(toggles_ns) - left) % 2 == 0:  # it is on now: only then is there an end to show
                self._queue.put(point, 0, due_ns)


class Blocks:
    """Which blocks have stopped changing, or answer exceptions."""

    def __init__(self, defects: Sequence[Defect], started_ns: int) -> None:
        self._still: set[Place] = set()
        self._freezes_at: dict[Place, int] = {}
        self._freezes_with: list[Defect] = []
        self._codes: list[tuple[Place, ExcCodes]] = []
        for defect in defects:
            if defect.name is Name.FROZEN and defect.alarm is not None:
                self._freezes_with.append(defect)
                continue
            for place in parts(defect.place):
                if defect.name is Name.ZEROS:
                    self._still.add(place)
                elif defect.name is Name.EXCEPTIONS and defect.code is not None:
                    self._codes.append((place, ExcCodes(defect.code)))
                elif defect.name is Name.FROZEN:
                    self._freezes_at[place] = started_ns + (defect.duration_ns or 0)

    def is_still(self, place: Place, now_ns: int) -> bool:
        """Whether the block keeps its values from now on, whatever the controller does."""
        freezes_ns = self._freezes_at.get(place)
        return place in self._still or (freezes_ns is not None and now_ns >= freezes_ns)

    def showed(self, point: Point) -> Defect | None:
        """Tell that a point has come on; the defect if a block freezes with that."""
        for defect in self._freezes_with:
            if point_of(_shown_at(defect.place), defect.alarm) == point:
                self._freezes_with.remove(defect)
                self._still.update(parts(defect.place))
                return defect
        return None

    def exception(self, device: str, table: Table, first_word: int, count: int) -> ExcCodes | None:
        """The exception that a read of these words gets, if any."""
        asked = range(first_word, first_word + count)
        for place, code in self._codes:
            if place.device == device and any(word in asked for word in _WORDS[place].get(table, ())):
                return code
        return None


def _shown_at(place: Place) -> Place:
    """Where an alarm must show to freeze a block: in it, or at the discrete inputs where it is the whole device."""
    return Place.BMS if place is Place.BMS_ALL else place


def _words() -> dict[Place, dict[Table, set[int]]]:
    """The words of the image that belong to each block."""
    words: dict[Place, dict[Table, set[int]]] = {place: {} for place in Place}
    for point in (*itertools.chain.from_iterable(ALARM_POINTS.values()), *COMMON_POINTS):
        words[point.place].setdefault(point.table, set()).add(locate(point)[0])
    words[Place.TANKS][Table.INPUT_REGISTER] = {
        address + offset for address in TANK_ADDRESS.values() for offset in range(TANK_REGISTERS)
    }
    return words


_WORDS = _words()
