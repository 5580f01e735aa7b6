"""What was done and seen in one record, as the correlator takes it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from harness.core.instants import Bounds
from harness.core.model import Stimulus
from harness.core.objects import ObjectSays
from harness.core.places import ModbusPlace
from harness.core.trace import Trace
from harness.core.unreadable import Unreadable


@dataclass(frozen=True, slots=True, kw_only=True)
class Neighbour:
    """A bit that was read along with mapped places, is not mapped itself, and changed during the run."""

    link: str
    place: ModbusPlace
    trace: Trace


@dataclass(frozen=True, slots=True, kw_only=True)
class BlindTime:
    """A time in which a link was not observed, and why; ``unit`` and ``table`` where it was one block of a unit."""

    link: str
    span: Bounds
    why: str
    unit: int | None = None
    table: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """Everything that is judged. ``traces``: one per mapped point; a point without one was not observed.

    ``not_run``: by point, why nothing could arrive there, so that nothing is judged of it. ``delays``: by point, for
    how long (ns) the device holds an alarm back before it tells of it, as it said itself.
    """

    stimuli: tuple[Stimulus, ...]
    traces: Mapping[str, Trace]
    neighbours: tuple[Neighbour, ...] = ()
    blind: tuple[BlindTime, ...] = ()
    not_run: Mapping[str, str] = field(default_factory=dict)
    delays: Mapping[str, int] = field(default_factory=dict)
    orders: Mapping[str, Mapping[str, Trace]] = field(default_factory=dict)
    """By point that is a number: what it would have shown with its bytes, or its words, the other way round."""
    objects: Mapping[str, ObjectSays] = field(default_factory=dict)
    """By point that is a BACnet object."""
    unreadable: tuple[Unreadable, ...] = ()
    """What was told and tells nothing, or shows that something before it is missing; in the order of its links."""
