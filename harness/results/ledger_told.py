"""What the record of a run says of notices and inhibits, and what a ledger of later says of them."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

from harness.core.errors import RecordError
from harness.core.ledger import LedgerState, LedgerTold, later_state
from harness.record.reader import RecordReader
from harness.results.ledger import AT_END, LEDGER_EVENT, read_ledger


def ledger_told(reader: RecordReader, later: Path | None = None) -> LedgerTold | None:
    """The last word of a record on its ledger; None where none was kept. ``later``: a ledger of later goes on from it.

    RecordError where that cannot be read, or does not know what was open.
    """
    events = reader.events(LEDGER_EVENT)
    if not events:
        return None
    data: Any = events[-1].data  # as our own run wrote it
    problems = tuple(data["problems"])
    if data["when"] != AT_END:
        problems = (*problems, "the run was cut off: what became of notices and inhibits is not recorded")
    told = LedgerTold(
        file=data["file"], demanded=tuple(data["demanded"]), problems=problems, state=LedgerState.from_data(data)
    )
    return told if later is None else _later(told, later)


def _later(told: LedgerTold, path: Path) -> LedgerTold:
    ledger = read_ledger(path)
    state, lost = later_state(told.state, ledger.state)
    if lost:
        raise RecordError(
            f"{path}: has no entry of {', '.join(lost)}, open when the record was made; give the ledger that was used, "
            f"{told.file}"
        )
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    return LedgerTold(
        file=told.file,
        demanded=told.demanded,
        problems=tuple(str(problem) for problem in ledger.problems),
        state=state,
        later=f"{path.name} (SHA-256 {digest})",
    )
