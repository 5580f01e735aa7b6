"""What one row of a point map comes to."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from harness.core.model import Alarm
from harness.core.places import Place
from harness.site.forms import Form


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """A place, the name that it gets by itself, its address as written, and the alarms of the row that show there."""

    name: str
    place: Place
    written: str
    alarms: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RowAlarms:
    """The alarms of a row, and where they and all others are written down."""

    names: tuple[str, ...]
    alarms: Mapping[str, Alarm]
    forms: Mapping[str, Form]
