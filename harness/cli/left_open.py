"""Says what an earlier run left raised, and asks what is to be done about it before anything new is raised."""

from __future__ import annotations

import sys
import time
from collections.abc import Sequence

from harness.cli.common import note, note_wrapped
from harness.cli.one_key import Key, one_of, press
from harness.core.errors import SafetyError
from harness.core.model import Site
from harness.report.human import utc
from harness.results.left_open import LeftOpen, look_for_left_open
from harness.run.clearing_left import ToClear, can_be_cleared
from harness.run.testing import TestOptions


def to_clear(site: Site, options: TestOptions, *, clear: bool, key: Key | None) -> tuple[ToClear, ...]:
    """What is to be cleared first. ``clear``: asked for on the command line; ``key``: None where nobody can be asked.

    SafetyError where nobody decided. Where the run is refused all the same, since nothing arms it, it is only said.
    """
    looked = look_for_left_open(options.record.absolute().parent, site.name, time.time_ns())
    for text in looked.unread:
        note(f"nobody can say whether something was left raised there: {text}")
    for text in looked.watched:
        note_wrapped(
            f"{text}: a watch of this site writes this record now: a device that is asked by both answers each of them "
            "less often, and one that takes a single connection refuses the second"
        )
    if not looked.left:
        return ()
    is_armed = options.arm == site.name
    for it in looked.left:
        if sys.stderr.isatty():
            note_wrapped(_told(it), is_urgent=True)
        else:
            note(_told(it))
    if not is_armed and not options.guided:
        note("it is cleared in a run that is armed, or confirmed in a guided one; or clear it at the controller")
        return ()
    by_writing = [it for it in looked.left if is_armed and can_be_cleared(site, it)]
    by_hand = [it for it in looked.left if it not in by_writing]
    decided = [ToClear(left=it) for it in by_writing]
    if by_writing and not clear and not (key is not None and _is_cleared_now(by_writing, key)):
        raise SafetyError(
            f"{_names(by_writing)}: may still be raised; give --clear-left-open to have farend clear it first, or make "
            "sure at the controller that it is cleared and answer in a terminal"
        )
    if by_hand and not (key is not None and _is_confirmed(by_hand, options.who, key)):
        raise SafetyError(
            f"{_names(by_hand)}: may still be raised, and farend cannot clear it; clear it at the controller, and "
            "confirm that in a terminal"
        )
    return (*decided, *(ToClear(left=it, confirmed_by=options.who) for it in by_hand))


def key_of_terminal() -> Key | None:
    """Single keys of the person at the terminal; None where there is none."""
    return press if sys.stdin.isatty() and sys.stderr.isatty() else None


def _told(it: LeftOpen) -> str:
    certain = "was raised" if it.is_certain else "may have been raised"
    ends = f"; it ends by itself, at the latest at {utc(it.ends_utc_ns)}" if it.ends_utc_ns is not None else ""
    return (
        f"LEFT RAISED: {it.alarm} {certain} at {utc(it.raised_utc_ns)} ({it.how}), record {it.record}; nothing says "
        f"that it was cleared{ends}"
    )


def _names(left: Sequence[LeftOpen]) -> str:
    return ", ".join(dict.fromkeys(it.alarm for it in left))


def _is_cleared_now(left: Sequence[LeftOpen], key: Key) -> bool:
    words = {"c": "it is cleared first", "q": "stopped"}
    return one_of(f"  {_names(left)}: c clear it now, q stop: ", words, key) == "c"


def _is_confirmed(left: Sequence[LeftOpen], who: str, key: Key) -> bool:
    asked = f"  {_names(left)}: y I made sure at the controller that it is cleared ({who}), q stop: "
    return one_of(asked, {"y": f"confirmed by {who}", "q": "stopped"}, key) == "y"
