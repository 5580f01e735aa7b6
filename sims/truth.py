"""The truth log: when each output of the simulated site really changed, on this machine's monotonic clock.

One JSON object a line. Every instant is ``time.monotonic_ns()``, which processes of one machine share.

===========  ==========================================================================================================
kind         keys
===========  ==========================================================================================================
header       version, seed, scan_ns, output_delay_ns, printer_delay_ns, bus_delay_ns, bus_baud, gateway_poll_ns,
             annunciator_delay_ns, started_ns, utc_started, defects (name, place, alarm, other, duration_ns, share,
             code, number, spec, sentence), alarms (name, class, number, also_raises, effect,
             lasts_ns), ports
stimulus     alarm (or null: every alarm), action, by (test block, or the output whose button it was), count (of the
             test block, else null), at_ns: accepted, before the answer to the write went out
alarm        alarm, state, active, why, at_ns: the controller's own view, in the scan that changed it
output       place, table, address, bit, signal, value, set_before_ns, set_after_ns: the new value became readable
             between the two, and was readable from the second on
line         text, alarm (null: heartbeat), word (AGAIN: sent once more), whole (false: only half of it was sent),
             number, clients, set_before_ns, set_after_ns: the bytes were handed to the sockets between the two
effect       effect, in_force, at_ns
fault        place, what, detail, at_ns: something that was done to an answer or a connection
notification place, what (cov, event, acknowledgement), why (empty, or the defect that sent it), table, address, signal,
             process, recipient, confirmed, invoke_id, attempt, sent_before_ns, sent_after_ns: a BACnet notification was
             handed to the socket between the two. cov: value, flags; the others: from_state, to_state, priority, class,
             ack_required, stamp
notification-end: the same but for the attempt and its instants; outcome (acked, error, reject, abort, given-up,
             dropped), at_ns: how a confirmed notification ended
event        place, table, address, signal, from_state, to_state, value, notified, due_ns, at_ns: an object's event
             state changed at the second, its delay had run out at the first
subscription place, what (subscribed, cancelled), table, address, signal, process, recipient, lifetime_s, at_ns
answer       request, place, taken_before_ns, taken_after_ns, ends_ns: the bytes that a unit of the bus took for a
             request, the instants between which it took the values of its answer, and the end of that on the wire; all
             null where nobody answers (with ``log_answers`` only)
source       place, lost, asked_ns, told_ns: a poll by the gateway that was the first one answered, or unanswered
paced        place, characters, late_mean_ns, late_max_ns: how late characters left the wire of the bus, at the end
end          at_ns
===========  ==========================================================================================================

Every output is 0 at the start unless an ``output`` entry of the start says otherwise.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from types import TracebackType
from typing import Any, NamedTuple, Self, TextIO

Entry = dict[str, Any]  # one JSON object; the keys of each kind are in the table above


class Instant(NamedTuple):
    """A moment that is known to lie between two stamps."""

    before_ns: int
    after_ns: int


class Shown(NamedTuple):
    """One time for which an output showed an alarm; ``gone`` is None while it still does."""

    appeared: Instant
    gone: Instant | None


class TruthLog:
    """Collects entries, in memory where ``keep`` is asked for, and in a file where a path is given.

    With ``header_first`` everything waits for the header, which can name ports only when all of them are open.
    """

    def __init__(self, path: Path | None = None, *, keep: bool = True, header_first: bool = False) -> None:
        self.entries: list[Entry] = []
        self._waiting: list[Entry] | None = [] if header_first else None
        self._keep = keep
        self._file: TextIO | None = None if path is None else path.open("w", encoding="utf-8", newline="\n")

    def add(self, kind: str, **entry: Any) -> None:
        """Log one entry."""
        whole = {"kind": kind, **entry}
        if self._waiting is None:
            self._write(whole)
        elif kind == "header":
            self._end_waiting(whole)
        else:
            self._waiting.append(whole)

    def _end_waiting(self, *first: Entry) -> None:
        waiting, self._waiting = self._waiting or [], None
        for entry in (*first, *waiting):
            self._write(entry)

    def _write(self, whole: Entry) -> None:
        if self._keep:
            self.entries.append(whole)
        if self._file is not None:
            self._file.write(json.dumps(whole, separators=(",", ":")) + "\n")

    def flush(self) -> None:
        """Let readers of the file see what was logged so far."""
        if self._file is not None:
            self._file.flush()

    def close(self) -> None:
        """Close the file; entries in memory stay."""
        self._end_waiting()
        if self._file is not None:
            self._file.close()
            self._file = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, exc_type: type[BaseException] | None, exc: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self.close()


def read_truth(path: Path) -> list[Entry]:
    """The entries of a truth file. A last line that was cut off in the middle is left out."""
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    return [json.loads(line) for line in lines if line.endswith("\n")]


def changes(entries: Iterable[Mapping[str, Any]], place: str, signal: str) -> list[tuple[int, Instant]]:
    """Each value that one output took, with the instant at which it became readable.

    ``place`` as in the log (``panel``, ``bms``, ``bms.latched``, …); ``signal``: the alarm whose output it is, or
    ``common-alarm``, ``common-fault``, ``horn``.
    """
    return [
        (int(e["value"]), Instant(e["set_before_ns"], e["set_after_ns"]))
        for e in entries
        if e["kind"] == "output" and e["place"] == place and e["signal"] == signal
    ]


def shown(entries: Iterable[Mapping[str, Any]], place: str, signal: str) -> list[Shown]:
    """Every time for which one output was other than 0."""
    times: list[Shown] = []
    appeared: Instant | None = None
    for value, instant in changes(entries, place, signal):
        if value and appeared is None:
            appeared = instant
        elif not value and appeared is not None:
            times.append(Shown(appeared, instant))
            appeared = None
    if appeared is not None:
        times.append(Shown(appeared, None))
    return times
