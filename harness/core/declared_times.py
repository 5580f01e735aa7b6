"""What a site file declares of the times on the way to an output: what farend cannot find out by itself beforehand.

Nothing of it takes part in judging; ``farend budget`` predicts from it. None: nobody declared it.
"""

from __future__ import annotations

from dataclasses import dataclass

from harness.core.instants import Bounds
from harness.core.links import SerialPort


@dataclass(frozen=True, slots=True, kw_only=True)
class DeclaredTimes:
    """Of one link. ``output_delay``: from the alarm (or from its own poll) until the device's output shows it.

    ``device_poll_ns``: how often the device polls the one that it is behind. ``round_trip``: from a request to its
    answer. ``answer_time``: of a unit of a serial bus, from the end of a request to the beginning of its answer.
    ``retries``: how often the master of a bus asks again where it got no answer.
    ``line``: of the bus behind a serial device server; its ``port`` is ''. ``read_every_ns``: how often the building
    system reads the device. ``time_delay_ns``, ``time_delay_normal_ns``: of the objects of a BACnet device, where a
    row says nothing of its own.
    """

    output_delay: Bounds | None = None
    device_poll_ns: int | None = None
    round_trip: Bounds | None = None
    answer_time: Bounds | None = None
    retries: int | None = None
    line: SerialPort | None = None
    read_every_ns: int | None = None
    time_delay_ns: int | None = None
    time_delay_normal_ns: int | None = None
