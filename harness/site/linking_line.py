"""Links of Modbus devices and buses, and of printed text."""

from __future__ import annotations

import codecs
from typing import Final

from harness.core.links import BusWay, ControlLine, Framing, LineEnd, ModbusRtuLink, ModbusTcpLink, SerialPort, TextLink
from harness.core.places import Numbering
from harness.site.forms import Form
from harness.site.link_parts import TIMEOUT_DEFAULT_NS, needed, number_or, peer_of, serial_port
from harness.site.names import did_you_mean, shown
from harness.site.problems import Problems

_ENCODINGS: Final = ("ascii", "utf-8", "latin-1", "cp1252", "cp437", "cp850")
_OF_POLLING: Final = (
    "quiet after timeout",
    "requests per second",
    "widest gap bits",
    "widest gap registers",
    "probe around",
)


def _numbering(form: Form, problems: Problems) -> Numbering:
    remedy = "add numbering: reference (10001, 40001), from-1 or from-0; it is never guessed"
    needed(form, "numbering", remedy, problems)
    # What is broken or missing was reported, and the site is never handed out. It is filled in here, so that the rows
    # of this link can be read and what is wrong with them be said too.
    return form.get("numbering", Numbering) or Numbering.REFERENCE


def modbus_tcp_link(form: Form, kind: str, problems: Problems) -> ModbusTcpLink:
    """A Modbus TCP device."""
    numbering = _numbering(form, problems)
    needed(form, "poll every", "add for example poll every: 200 ms", problems)
    peer = peer_of(form, kind)
    return ModbusTcpLink(
        name=form.name,
        host=peer.host,
        port=peer.port,
        numbering=numbering,
        unit=number_or(form, "unit", 1),
        poll_period_ns=form.get("poll every", int) or 1,
        timeout_ns=form.get("timeout", int) or TIMEOUT_DEFAULT_NS,
        in_flight=form.get("requests in flight", int) or 1,
        requests_per_s_max=form.get("requests per second", float),
        gap_max_bits=number_or(form, "widest gap bits", 64),
        gap_max_registers=number_or(form, "widest gap registers", 16),
        probe_around=number_or(form, "probe around", 0),
        origin=form.origin,
    )


def modbus_rtu_link(form: Form, kind: str, problems: Problems) -> ModbusRtuLink:
    """A Modbus RTU bus on a serial port or behind a serial device server."""
    numbering = _numbering(form, problems)
    way = form.get("way", BusWay) or BusWay.POLL
    if way is BusWay.RECEIVE_ONLY:
        _refuse_polling(form, problems)
    elif "way" not in form.broken:
        remedy = "add for example poll every: 500 ms, or way: receive-only where the bus has a master"
        needed(form, "poll every", remedy, problems)
    is_serial = kind == "modbus-rtu"
    peer = None if is_serial else peer_of(form, kind)
    timeout_ns = form.get("timeout", int) or TIMEOUT_DEFAULT_NS
    return ModbusRtuLink(
        name=form.name,
        serial=_bus_port(form, kind, problems) if is_serial else None,
        host=peer.host if peer is not None else None,
        tcp_port=peer.port if peer is not None else None,
        way=way,
        numbering=numbering,
        unit=number_or(form, "unit", 1),
        poll_period_ns=form.get("poll every", int) or (0 if way is BusWay.RECEIVE_ONLY else 1),
        timeout_ns=timeout_ns,
        # A unit that answers later than the time-out is most likely late by less than that again.
        quiet_ns=form.get("quiet after timeout", int) or timeout_ns,
        requests_per_s_max=form.get("requests per second", float),
        gap_max_bits=number_or(form, "widest gap bits", 64),
        gap_max_registers=number_or(form, "widest gap registers", 16),
        probe_around=number_or(form, "probe around", 0),
        origin=form.origin,
    )


def _refuse_polling(form: Form, problems: Problems) -> None:
    """Nothing is asked on a bus that is only received from, so nothing can be said of how it is asked."""
    for name in _OF_POLLING:
        if name in form.values:
            text = f"{name}={shown(form.written(name))}: on a link with way: receive-only farend asks nothing"
            problems.error(form.at(name), "receive-only", text, "delete the line, or write way: poll")


def _bus_port(form: Form, kind: str, problems: Problems) -> SerialPort:
    port = serial_port(form, kind, is_bus=True)
    if port.data_bits != 8:
        text = f"data bits={port.data_bits}: RTU sends bytes of 8 bits"
        problems.error(form.at("data bits"), "data-bits", text, "delete the line")
    _check_flow(port, form, problems)
    return port


def _check_flow(port: SerialPort, form: Form, problems: Problems) -> None:
    if port.rts_cts and port.rts is not ControlLine.LEFT:
        text = f"rts={port.rts.value}: with flow control: rts/cts the line follows the bytes"
        problems.error(form.at("rts"), "rts", text, "delete one of the two")


def text_link(form: Form, kind: str, problems: Problems) -> TextLink:
    """A printed alarm log."""
    encoding = form.text("encoding") or "ascii"
    try:
        is_text = codecs.lookup(encoding)._is_text_encoding  # noqa: SLF001 - the only way to tell rot13 from latin-1
    except (LookupError, ValueError):  # of a null or a lone surrogate, which no name holds
        is_text = False
    if not is_text or encoding.lower().startswith(("utf-16", "utf-32", "utf16", "utf32", "utf_16", "utf_32")):
        text = f"encoding={shown(encoding)}: expected an encoding in which a line end is one byte"
        problems.error(form.at("encoding"), "encoding", text, did_you_mean(encoding, _ENCODINGS))
    framing = _framing(form, problems)
    is_serial = kind == "text+serial"
    peer = None if is_serial or kind in form.broken else peer_of(form, kind)
    serial = serial_port(form, kind, is_bus=False) if is_serial else None
    if serial is not None:
        _check_flow(serial, form, problems)
    return TextLink(
        name=form.name,
        host=peer.host if peer is not None else None,
        tcp_port=peer.port if peer is not None else None,
        serial=serial,
        encoding=encoding,
        framing=framing,
        line_end=form.get("line end", LineEnd) or LineEnd.ANY,
        idle_gap_ns=form.get("idle gap", int) or 0,
        message_bytes=form.get("message length", int) or 0,
        line_max_bytes=form.get("longest line", int) or 1024,
        longest_delay_ns=form.get("longest delay", int),
        promises_every_change=form.get("promises every change", bool) or False,
        origin=form.origin,
    )


_OF_FRAMING: Final = {
    "line end": Framing.LINE_END,
    "idle gap": Framing.IDLE_GAP,
    "message length": Framing.LENGTH,
}


def _framing(form: Form, problems: Problems) -> Framing:
    framing = form.get("framing", Framing) or Framing.LINE_END
    if "framing" in form.broken:
        return framing
    for name, of in _OF_FRAMING.items():
        if name in form.values and of is not framing:
            text = f"{name}={shown(form.written(name))}: belongs to framing: {of.value}, and this is {framing.value}"
            problems.error(form.at(name), "framing", text, f"delete it, or write framing: {of.value}")
        elif of is framing and of is not Framing.LINE_END:
            example = "200 ms" if of is Framing.IDLE_GAP else "80"
            needed(form, name, f"add for example {name}: {example}, for framing: {of.value}", problems)
    return framing
