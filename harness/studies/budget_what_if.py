"""What-ifs of a budget: the site as it would be with another poll, another speed of a bus, or a dead unit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final

from harness.core.declared_times import DeclaredTimes
from harness.core.durations import duration
from harness.core.errors import UsageError
from harness.core.links import BacnetLink, LinkSpec, ModbusRtuLink, ModbusTcpLink, SerialPort
from harness.core.model import Site
from harness.site.names import did_you_mean

ALL_BUSES: Final = ""
"""In place of the name of a link: every serial bus of the site."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WhatIf:
    """By link: periods in ns, and speeds. ``dead``: buses with one dead unit."""

    polls: Mapping[str, int] = field(default_factory=dict)
    reads: Mapping[str, int] = field(default_factory=dict)
    device_polls: Mapping[str, int] = field(default_factory=dict)
    bauds: Mapping[str, int] = field(default_factory=dict)
    dead: tuple[str, ...] = ()

    @property
    def single(self) -> tuple[WhatIf, ...]:
        """Each by itself, in the order of :attr:`words`."""
        return (
            *(WhatIf(polls={name: it}) for name, it in self.polls.items()),
            *(WhatIf(reads={name: it}) for name, it in self.reads.items()),
            *(WhatIf(device_polls={name: it}) for name, it in self.device_polls.items()),
            *(WhatIf(bauds={name: it}) for name, it in self.bauds.items()),
            *(WhatIf(dead=(name,)) for name in self.dead),
        )

    def without(self, one: WhatIf) -> WhatIf:
        """All but ``one`` of :attr:`single`."""
        return WhatIf(
            polls={name: it for name, it in self.polls.items() if name not in one.polls},
            reads={name: it for name, it in self.reads.items() if name not in one.reads},
            device_polls={name: it for name, it in self.device_polls.items() if name not in one.device_polls},
            bauds={name: it for name, it in self.bauds.items() if name not in one.bauds},
            dead=tuple(it for it in self.dead if it not in one.dead),
        )

    @property
    def words(self) -> tuple[str, ...]:
        """Each in one phrase."""
        return (
            *(f"farend polls {name} every {duration(it)}" for name, it in self.polls.items()),
            *(f"the building system reads {name} every {duration(it)}" for name, it in self.reads.items()),
            *(f"{name} itself polls every {duration(it)}" for name, it in self.device_polls.items()),
            *(f"{name or 'every bus'} at {it} baud" for name, it in self.bauds.items()),
            *(f"one unit of {name} is dead" for name in self.dead),
        )


def applied(site: Site, what_if: WhatIf) -> Site:
    """The site as it would be. UsageError where it has no such link, or the link has nothing of the kind."""
    for name, period_ns in what_if.polls.items():
        site = _with_link(site, _polled(site, name), poll_period_ns=period_ns)
    for name, period_ns in what_if.reads.items():
        _polled(site, name, "--read", "is not read: what it tells, it tells by itself")
        site = _with_times(site, name, read_every_ns=period_ns)
    for name, period_ns in what_if.device_polls.items():
        _link(site, name, "--device-poll")
        if name not in site.behind:
            behind = ", ".join(site.behind) or "none"
            raise UsageError(f"--device-poll {name}: it is behind no other link; links that are: {behind}")
        site = _with_times(site, name, device_poll_ns=period_ns)
    for name, baud in what_if.bauds.items():
        site = _with_baud(site, name, baud)
    for name in what_if.dead:
        if not isinstance(_link(site, name, "--dead-unit"), ModbusRtuLink):
            raise UsageError(f"--dead-unit {name}: no serial bus; {_buses_words(site)}")
    return site


def _link(site: Site, name: str, option: str) -> LinkSpec:
    if name not in site.links:
        remedy = did_you_mean(name, site.links)
        raise UsageError(f"{option} {name}: no such link; {remedy or 'links are ' + ', '.join(site.links)}")
    return site.links[name]


def _polled(
    site: Site, name: str, option: str = "--poll", why: str = "is not polled: what it tells, it tells by itself"
) -> LinkSpec:
    spec = _link(site, name, option)
    if not isinstance(spec, ModbusTcpLink | ModbusRtuLink | BacnetLink):
        raise UsageError(f"{option} {name}: {why}")
    return spec


def _with_link(site: Site, spec: LinkSpec, **changes: Any) -> Site:
    changed: LinkSpec = replace(spec, **changes)
    return replace(site, links={**site.links, spec.name: changed})


def _with_times(site: Site, name: str, **changes: Any) -> Site:
    times: DeclaredTimes = replace(site.times_of(name), **changes)
    return replace(site, times={**site.times, name: times})


def _with_baud(site: Site, name: str, baud: int) -> Site:
    if name == ALL_BUSES:
        buses = [it for it in site.links.values() if isinstance(it, ModbusRtuLink)]
        if not buses:
            raise UsageError(f"--baud {baud}: the site has no serial bus")
    else:
        spec = _link(site, name, "--baud")
        if not isinstance(spec, ModbusRtuLink):
            raise UsageError(f"--baud {name}={baud}: no serial bus; {_buses_words(site)}")
        buses = [spec]
    for bus in buses:
        if bus.serial is not None:
            site = _with_link(site, bus, serial=replace(bus.serial, baud=baud))
        else:
            line = site.times_of(bus.name).line or SerialPort(port="", parity="even")
            site = _with_times(site, bus.name, line=replace(line, baud=baud))
    return site


def _buses_words(site: Site) -> str:
    buses = [name for name, it in site.links.items() if isinstance(it, ModbusRtuLink)]
    return f"buses are {', '.join(buses)}" if buses else "the site has none"
