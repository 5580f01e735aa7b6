"""What the silence of one alarm does to the others that sound at the same time.

One button usually silences whatever sounds (common practice, no source). So a silence that was given for one alarm may
have silenced any other that was raised by then, or not.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping
from dataclasses import replace
from itertools import accumulate

from harness.core.instants import FOREVER, Bounds
from harness.core.model import Stimulus


def with_silence_of_others(stimuli: Mapping[str, Stimulus]) -> dict[str, Stimulus]:
    """The stimuli, by id, each silenced from the first silence on that may have been one for it too.

    What another one's silence did to it is not known, so where that came first the bounds end with its own silence, or
    never.
    """
    silences = sorted((it.silenced for it in stimuli.values() if it.silenced is not None), key=lambda it: it.hi)
    ends = [it.hi for it in silences]
    earliest = list(accumulate((it.lo for it in reversed(silences)), min))[::-1]  # of this and all that end later
    found: dict[str, Stimulus] = {}
    for name, it in stimuli.items():
        at, own = bisect_left(ends, it.raised.lo), it.silenced
        first = max(earliest[at], it.raised.lo) if at < len(ends) else FOREVER
        if at < len(ends) and (own is None or first < own.lo):
            it = replace(it, silenced=Bounds(first, FOREVER if own is None else own.hi))  # noqa: PLW2901
        found[name] = it
    return found
