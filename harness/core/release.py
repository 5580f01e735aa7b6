"""When an output must go back to normal: its release, from the steps of a stimulus.

For a stimulus silenced at s, acknowledged at k, reset at t and cleared at c, the release q is

- ``follows``: c; released by silence: the first of c, s and k;
- ``until-acknowledged``: k; released by silence: the first of s and k;
- ``latched``: the later of k and c; released by reset: t, which takes nothing before the clear;
- ``pulse``: none. ``quiet`` is never on; its window ends with c.

These are what walks through the tables of :mod:`harness.core.behaviours` come to (a test holds them together).
"""

from __future__ import annotations

from harness.core.instants import FOREVER, Bounds, latest
from harness.core.model import Behaviour, Expectation, Step, Stimulus


def release_of(stimulus: Stimulus, expectation: Expectation) -> Bounds | None:
    """Bounds of q; None where it never came, and for a pulse.

    A reset that may have been given before the clear may have been taken or not: its release is open above.
    """
    cleared = stimulus.cleared
    match expectation.behaviour:
        case Behaviour.FOLLOWS:
            early = freed_of(stimulus, expectation) if expectation.released_by is Step.SILENCE else None
            return _first(cleared, early)
        case Behaviour.QUIET:
            return cleared
        case Behaviour.UNTIL_ACKNOWLEDGED:
            return freed_of(stimulus, expectation)
        case Behaviour.LATCHED:
            freed = freed_of(stimulus, expectation)
            if freed is None or cleared is None:
                return None
            both = latest(freed, cleared)
            is_late = expectation.released_by is not Step.RESET or freed.lo >= cleared.hi
            return both if is_late else Bounds(both.lo, FOREVER)
        case Behaviour.PULSE:
            return None


def freed_of(stimulus: Stimulus, expectation: Expectation) -> Bounds | None:
    """Bounds of the step by a person that releases, whatever the alarm itself does; None where it was not done.

    Released by silence means: by the silence or by the acknowledge, whichever comes first.
    """
    match expectation.released_by:
        case Step.RESET:
            return stimulus.reset
        case Step.SILENCE:
            return _first(stimulus.silenced, stimulus.acknowledged)
        case _:
            return stimulus.acknowledged


def excused_of(stimulus: Stimulus, expectation: Expectation) -> Bounds | None:
    """From when on not to show is neither pass nor fail, since a person has released it; None: never."""
    match expectation.behaviour:
        case Behaviour.FOLLOWS if expectation.released_by is Step.SILENCE:
            return freed_of(stimulus, expectation)
        case Behaviour.UNTIL_ACKNOWLEDGED | Behaviour.LATCHED:
            return release_of(stimulus, expectation)
        case _:
            return None


def _first(*steps: Bounds | None) -> Bounds | None:
    """Bounds of the first of these instants; a step that was not done comes never."""
    done = [step for step in steps if step is not None]
    return Bounds(min(it.lo for it in done), min(it.hi for it in done)) if done else None
