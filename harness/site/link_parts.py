"""What links of several kinds have in common: fields that must be there, ports, and defaults with their source."""

from __future__ import annotations

from typing import Final

from harness.core.instants import NS_PER_S
from harness.core.links import ControlLine, SerialPort
from harness.site.forms import Form
from harness.site.kinds import HostPort
from harness.site.problems import Problems

TIMEOUT_DEFAULT_NS: Final = 1 * NS_PER_S
"""Common practice, no source; the serial line guide speaks of one to several seconds at 9600 bit/s."""

TEXT_BAUD: Final = 9600
BUS_BAUD: Final = 19_200
BUS_PARITY: Final = "even"
"""Of a Modbus RTU bus that says nothing (MODBUS over Serial Line Specification V1.02, 2.5.1)."""


def needed(form: Form, name: str, remedy: str, problems: Problems) -> None:
    """Report a field that is not there, unless a part of the file could not be read."""
    if not form.has(name) and not problems.is_cut_short:
        problems.error(form.origin, "missing", f"link {form.name}: {name} is missing", remedy)


def peer_of(form: Form, kind: str) -> HostPort:
    """Host and port; nothing but a placeholder where they could not be read, which was reported."""
    return form.get(kind, HostPort) or HostPort(host="", port=0)


def number_or(form: Form, name: str, default: int) -> int:
    """A whole number, also 0, or what holds where it is absent."""
    found = form.get(name, int)
    return default if found is None else found


def serial_port(form: Form, kind: str, *, is_bus: bool) -> SerialPort:
    """The port as it is opened. A bus without parity has two stop bits, so that a character keeps 11 bits (2.5.1)."""
    parity = form.text("parity") or (BUS_PARITY if is_bus else "none")
    return SerialPort(
        port=form.text(kind),
        baud=form.get("baud", int) or (BUS_BAUD if is_bus else TEXT_BAUD),
        data_bits=form.get("data bits", int) or 8,
        parity=parity,
        stop_bits=form.get("stop bits", int) or (2 if is_bus and parity == "none" else 1),
        dtr=form.get("dtr", ControlLine) or ControlLine.LEFT,
        rts=form.get("rts", ControlLine) or ControlLine.LEFT,
        rts_cts=form.get("flow control", bool) or False,
    )
