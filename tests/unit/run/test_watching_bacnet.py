"""BACnet devices on the command line: their address, their values in words, and what listening costs them."""

from __future__ import annotations

import pytest

from harness.core.errors import UsageError
from harness.core.places import Arrival, BacnetPlace, ObjectPart, ObjectType
from harness.links.bacnet_values import ObjectReading, Status
from harness.run.watching_bacnet import bacnet_cost, bacnet_of_address, polite_period_ns, value_words
from tests.peers.bacnet import AI, BI, bacnet_link, bacnet_point


def test_an_address_names_host_port_and_device() -> None:
    spec = bacnet_of_address("bacnet://10.0.0.7/260001", 200)
    assert (spec.host, spec.port, spec.device, spec.listen_port) == ("10.0.0.7", 47808, 260_001, 47808)
    assert bacnet_of_address("bacnet://127.0.0.1:47809/7", 200).listen_host == "127.0.0.1"


@pytest.mark.parametrize("address", ["bacnet://10.0.0.7", "bacnet:///5", "bacnet://h:99999/1", "bacnet://h/4194303"])
def test_what_is_no_address_is_said(address: str) -> None:
    with pytest.raises(UsageError, match="expected"):
        bacnet_of_address(address, 200)


def test_values_in_words() -> None:
    binary = BacnetPlace(object_type=BI, instance=1)
    level = BacnetPlace(object_type=AI, instance=1)
    state = BacnetPlace(object_type=ObjectType.BINARY_INPUT, instance=1, part=ObjectPart.EVENT_STATE)
    assert value_words(binary, ObjectReading(value=1.0, status=Status.IN_ALARM)) == "on (in alarm)"
    assert value_words(binary, ObjectReading()) == "no value"
    assert value_words(level, ObjectReading(value=57.9, status=Status(0))) == "57.9"
    assert value_words(state, ObjectReading(event_state=3)) == "high-limit"


def test_what_listening_costs_names_reads_subscriptions_and_registration() -> None:
    points = [bacnet_point(1), bacnet_point(2, Arrival.COV), bacnet_point(3, Arrival.EVENT)]
    cost, asked = bacnet_cost(bacnet_link(1, bbmd_host="10.0.0.1"), points)
    assert "1 read every 20 ms" in cost
    assert "1 confirmed COV subscription for 300 s each" in cost
    assert "registered as a foreign device with 10.0.0.1:47808" in cost
    assert "1 more every 5 s of what must notify" in cost
    assert "one of Active_COV_Subscriptions and Time_Of_Device_Restart every 1 s, if the device has it" in cost
    assert "an I-Am to whoever asks for exactly device 4194302, a reject to any other request" in cost
    assert cost.endswith("no write service")
    assert asked == ("reads binary-input 1", "subscribes to binary-input 2", "waits for events of binary-input 3")


def test_a_device_with_many_objects_is_watched_more_slowly() -> None:
    points = [bacnet_point(number) for number in range(500)]
    assert polite_period_ns(bacnet_link(1), points) == 25 * 50_000_000
