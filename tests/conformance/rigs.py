"""Every rig. A new link is added here, and has to pass the whole list."""

from __future__ import annotations

from typing import Final

from tests.conformance.bacnet_rigs import (
    BacnetCovRig,
    BacnetEventRig,
    BacnetPollRig,
    BacnetUnconfirmedCovRig,
    BacnetUnconfirmedEventRig,
)
from tests.conformance.mqtt_rig import Mqtt5Rig, MqttRig
from tests.conformance.person_rig import PersonRig
from tests.conformance.rig import Rig
from tests.conformance.serial_rigs import RtuPtyRig, RtuTapRig, TextPtyRig
from tests.conformance.tcp_rigs import ModbusTcpRig, RtuTcpRig, TextTcpRig

RIGS: Final[tuple[type[Rig], ...]] = (
    ModbusTcpRig,
    RtuTcpRig,
    RtuPtyRig,
    RtuTapRig,
    TextTcpRig,
    TextPtyRig,
    BacnetPollRig,
    BacnetCovRig,
    BacnetUnconfirmedCovRig,
    BacnetEventRig,
    BacnetUnconfirmedEventRig,
    MqttRig,
    Mqtt5Rig,
    PersonRig,
)
