"""Links as lines of a site file, for drafts: every field that is not what it would be without the line."""

from __future__ import annotations

from collections.abc import Iterable

from harness.core.links import (
    BacnetLink,
    BusWay,
    ControlLine,
    Framing,
    LineEnd,
    LinkSpec,
    ModbusRtuLink,
    ModbusTcpLink,
    MqttLink,
    MqttVersion,
    PersonLink,
    SerialPort,
    TextLink,
)
from harness.site.durations import write_duration
from harness.site.link_parts import BUS_PARITY


def link_lines(link: LinkSpec) -> list[str]:
    """The lines of one link, with its name first, indented as under ``links:``."""
    match link:
        case ModbusTcpLink():
            fields = _modbus_tcp(link)
        case ModbusRtuLink():
            fields = _modbus_rtu(link)
        case TextLink():
            fields = _text(link)
        case BacnetLink():
            fields = _bacnet(link)
        case MqttLink():
            fields = _mqtt(link)
        case PersonLink():
            fields = _person(link)
    return [f"  {link.name}:", *(f"    {line}" for line in fields)]


def quoted(text: str) -> str:
    """A text in single quotes, in which a backslash is a backslash."""
    return "'" + text.replace("'", "''") + "'"


def _peer(host: str | None, port: int | None) -> str:
    return quoted(f"[{host}]:{port}" if host and ":" in host else f"{host}:{port}")


def _modbus_tcp(link: ModbusTcpLink) -> list[str]:
    return [
        f"modbus-tcp: {_peer(link.host, link.port)}",
        f"numbering: {link.numbering.value}",
        f"unit: {link.unit}",
        f"poll every: {write_duration(link.poll_period_ns)}",
        f"timeout: {write_duration(link.timeout_ns)}",
    ]


def _modbus_rtu(link: ModbusRtuLink) -> list[str]:
    if link.serial is not None:
        lines = [f"modbus-rtu: {quoted(link.serial.port)}", *_serial(link.serial)]
    else:
        lines = [f"modbus-rtu+tcp: {_peer(link.host, link.tcp_port)}"]
    lines += [f"way: {link.way.value}", f"numbering: {link.numbering.value}", f"unit: {link.unit}"]
    if link.poll_period_ns:
        lines.append(f"poll every: {write_duration(link.poll_period_ns)}")
    lines.append(f"timeout: {write_duration(link.timeout_ns)}")
    if link.way is BusWay.POLL and link.quiet_ns:
        lines.append(f"quiet after timeout: {write_duration(link.quiet_ns)}")
    return lines


def _serial(port: SerialPort) -> list[str]:
    lines = [f"baud: {port.baud}", f"data bits: {port.data_bits}", f"parity: {port.parity or BUS_PARITY}",
             f"stop bits: {port.stop_bits}"]  # fmt: skip
    lines += [
        f"{name}: {state.value}"
        for name, state in (("dtr", port.dtr), ("rts", port.rts))
        if state is not ControlLine.LEFT
    ]
    return [*lines, "flow control: rts/cts"] if port.rts_cts else lines


def _text(link: TextLink) -> list[str]:
    if link.serial is not None:
        lines = [f"text+serial: {quoted(link.serial.port)}", *_serial(link.serial)]
    else:
        lines = [f"text+tcp: {_peer(link.host, link.tcp_port)}"]
    lines.append(f"encoding: {link.encoding}")
    if link.framing is Framing.IDLE_GAP:
        lines += ["framing: idle-gap", f"idle gap: {write_duration(link.idle_gap_ns)}"]
    elif link.framing is Framing.LENGTH:
        lines += ["framing: length", f"message length: {link.message_bytes}"]
    elif link.line_end is not LineEnd.ANY:
        lines.append(f"line end: {link.line_end.value}")
    return [*lines, *_told(link)]


def _told(link: TextLink | BacnetLink | MqttLink) -> Iterable[str]:
    if link.longest_delay_ns is not None:
        yield f"longest delay: {write_duration(link.longest_delay_ns)}"
    if link.promises_every_change:
        yield "promises every change: yes"


def _bacnet(link: BacnetLink) -> list[str]:
    lines = [
        f"bacnet: {_peer(link.host, link.port)}",
        f"device: {link.device}",
        f"listen on: {link.listen_host}/{link.listen_prefix}:{link.listen_port}",
        f"own device: {link.own_device}",
    ]
    if link.bbmd_host is not None:
        lines.append(f"foreign device of: {_peer(link.bbmd_host, link.bbmd_port)}")
        lines.append(f"registration: {link.registration_ttl_s} s")
    return [
        *lines,
        f"poll every: {write_duration(link.poll_period_ns)}",
        f"timeout: {write_duration(link.timeout_ns)}",
        f"objects per read: {link.objects_per_read}",
        f"cov: {link.cov.value}",
        f"cov lifetime: {link.cov_lifetime_s} s",
        f"process: {link.process}",
        *_told(link),
    ]


def _mqtt(link: MqttLink) -> list[str]:
    lines = [f"mqtt: {_peer(link.host, link.port)}"]
    if link.version is not MqttVersion.V311:
        lines.append(f"version: {quoted(link.version.value)}")
    named = (("client id", link.client_id), ("user", link.user_name), ("password from", link.password_env))
    lines += [f"{name}: {quoted(value)}" for name, value in named if value]
    if link.tls is not None:
        files = (("ca file", link.tls.ca_file), ("certificate file", link.tls.certificate_file),
                 ("key file", link.tls.key_file))  # fmt: skip
        inner = ", ".join(f"{name}: {quoted(file)}" for name, file in files if file)
        lines.append(f"tls: {{{inner}}}" if inner else "tls: yes")
    lines += [f"qos: {link.qos}", f"keep alive: {link.keep_alive_s} s", f"timeout: {write_duration(link.timeout_ns)}"]
    if link.alive_topic is not None and link.down_payload is not None:
        lines += [f"alive topic: {quoted(link.alive_topic)}", f"down payload: {quoted(link.down_payload)}"]
        if link.will_within_ns is not None:
            lines.append(f"last will within: {write_duration(link.will_within_ns)}")
    if link.sequence_pointer:
        lines.append(f"sequence at: {quoted(link.sequence_pointer)}")
    if link.time_pointer:
        lines.append(f"time at: {quoted(link.time_pointer)}")
    if link.time_format:
        lines.append(f"time format: {quoted(link.time_format)}")
    return [*lines, *_told(link)]


def _person(link: PersonLink) -> list[str]:
    lines = [f"person: {quoted(link.where or link.name)}", f"in sight: {'yes' if link.in_sight else 'no'}"]
    if link.reaction_max_ns:
        low, high = write_duration(link.reaction_min_ns), write_duration(link.reaction_max_ns)
        lines.append(f"reaction: {low} to {high}")
    return lines
