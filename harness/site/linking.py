"""Turns the links of a site file into what farend listens on."""

from __future__ import annotations

import codecs
from collections.abc import Mapping
from typing import Final

from harness.core.instants import NS_PER_S
from harness.core.links import LineEnd, LinkSpec, ModbusTcpLink, SerialPort, TextLink
from harness.core.places import Numbering
from harness.site.fields import LINK_KINDS, MODBUS_NAMES, SERIAL_NAMES, TEXT_NAMES
from harness.site.forms import Form
from harness.site.kinds import HostPort
from harness.site.names import did_you_mean, shown
from harness.site.problems import Problems

TIMEOUT_DEFAULT_NS: Final = 1 * NS_PER_S
"""Common practice, no source; the serial line guide speaks of one to several seconds at 9600 bit/s."""

_ENCODINGS: Final = ("ascii", "utf-8", "latin-1", "cp1252", "cp437", "cp850")


def build_links(forms: Mapping[str, Form], problems: Problems) -> dict[str, LinkSpec]:
    """The links by name; problems say what is wrong with them. One that does not even say what it is is left out."""
    links: dict[str, LinkSpec] = {}
    for name, form in forms.items():
        kind = _kind(form, problems)
        if kind is None:
            continue
        _refuse_foreign(form, kind, problems)
        links[name] = _modbus_tcp(form, problems) if kind == "modbus-tcp" else _text(form, kind, problems)
    return links


def _kind(form: Form, problems: Problems) -> str | None:
    found = [kind for kind in LINK_KINDS if form.has(kind)]
    if not found and not problems.is_cut_short:
        text = f"link {form.name}: expected one of {', '.join(LINK_KINDS)}"
        problems.error(form.origin, "link-kind", text, "add for example modbus-tcp: 192.0.2.10:502")
    if len(found) > 1:
        text = f"link {form.name}: {found[1]} besides {found[0]}: expected one of them"
        problems.error(form.at(found[1]), "link-kind", text, "make two links of it")
    return found[0] if found else None


def _refuse_foreign(form: Form, kind: str, problems: Problems) -> None:
    foreign = set(TEXT_NAMES if kind == "modbus-tcp" else MODBUS_NAMES)
    if kind == "text+tcp":
        foreign |= set(SERIAL_NAMES)
    for name in form.values:
        if name in foreign and name not in LINK_KINDS:
            text = f"{name}={shown(form.written(name))}: a {kind} link has none"
            problems.error(form.at(name), "foreign-field", text, "delete the line")


def _needed(form: Form, name: str, why: str, problems: Problems) -> None:
    if not form.has(name) and not problems.is_cut_short:
        problems.error(form.origin, "missing", f"link {form.name}: {name} is missing", why)


def _modbus_tcp(form: Form, problems: Problems) -> ModbusTcpLink:
    _needed(
        form, "numbering", "add numbering: reference (10001, 40001), from-1 or from-0; it is never guessed", problems
    )
    _needed(form, "poll every", "add for example poll every: 200 ms", problems)
    # What is broken or missing was reported, and the site is never handed out. It is filled in here, so that the rows
    # of this link can be read and what is wrong with them be said too.
    peer = form.get("modbus-tcp", HostPort) or HostPort(host="", port=0)
    numbering = form.get("numbering", Numbering) or Numbering.REFERENCE
    period_ns = form.get("poll every", int) or 1
    unit, in_flight = form.get("unit", int), form.get("requests in flight", int)
    bits, registers = form.get("widest gap bits", int), form.get("widest gap registers", int)
    return ModbusTcpLink(
        name=form.name,
        host=peer.host,
        port=peer.port,
        numbering=numbering,
        unit=1 if unit is None else unit,
        poll_period_ns=period_ns,
        timeout_ns=form.get("timeout", int) or TIMEOUT_DEFAULT_NS,
        in_flight=in_flight or 1,
        requests_per_s_max=form.get("requests per second", float),
        gap_max_bits=64 if bits is None else bits,
        gap_max_registers=16 if registers is None else registers,
        origin=form.origin,
    )


def _text(form: Form, kind: str, problems: Problems) -> TextLink:
    encoding = form.text("encoding") or "ascii"
    try:
        is_text = codecs.lookup(encoding)._is_text_encoding  # noqa: SLF001 - the only way to tell rot13 from latin-1
    except LookupError:
        is_text = False
    if not is_text or encoding.lower().startswith(("utf-16", "utf-32", "utf16", "utf32", "utf_16", "utf_32")):
        text = f"encoding={shown(encoding)}: expected an encoding in which a line end is one byte"
        problems.error(form.at("encoding"), "encoding", text, did_you_mean(encoding, _ENCODINGS))
    peer = form.get("text+tcp", HostPort)
    return TextLink(
        name=form.name,
        host=peer.host if kind == "text+tcp" and peer is not None else None,
        tcp_port=peer.port if kind == "text+tcp" and peer is not None else None,
        serial=_serial_port(form, kind) if kind == "text+serial" else None,
        encoding=encoding,
        line_end=form.get("line end", LineEnd) or LineEnd.ANY,
        line_max_bytes=form.get("longest line", int) or 1024,
        longest_delay_ns=form.get("longest delay", int),
        promises_every_change=form.get("promises every change", bool) or False,
        origin=form.origin,
    )


def _serial_port(form: Form, kind: str) -> SerialPort:
    return SerialPort(
        port=form.text(kind),
        baud=form.get("baud", int) or 9600,
        data_bits=form.get("data bits", int) or 8,
        parity=form.text("parity") or "none",
        stop_bits=form.get("stop bits", int) or 1,
    )
