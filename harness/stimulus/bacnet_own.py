"""The BACnet applications of a stimulus: one for each link, on any free port, apart from those that listen."""

from __future__ import annotations

from dataclasses import replace

from harness.core.instants import Clock
from harness.core.links import BacnetLink
from harness.links.bacnet_app import BacnetApp, BacnetPorts


class OwnApps:
    """Opened when first needed, closed together."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._ports = BacnetPorts()
        self._opened: dict[str, tuple[BacnetLink, BacnetApp]] = {}

    async def open(self, spec: BacnetLink) -> BacnetApp:
        """The application for a link. Raises LinkError."""
        if spec.name not in self._opened:
            own = replace(spec, listen_port=0, bbmd_host=None)
            self._opened[spec.name] = (own, await self._ports.open(own, self._clock))
        return self._opened[spec.name][1]

    async def close(self) -> None:
        """Close what was opened."""
        for spec, _ in self._opened.values():
            await self._ports.close(spec)
        self._opened.clear()
