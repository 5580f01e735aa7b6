"""Links that cannot be listened to side by side: one port, one socket, one device or one client that two claim."""

from __future__ import annotations

from collections.abc import Iterator

from harness.core.links import BacnetLink, BusWay, LinkSpec, ModbusRtuLink, MqttLink, TextLink
from harness.core.model import Site
from harness.site.forms import Form
from harness.site.linking import kind_of
from harness.site.names import shown
from harness.site.problems import Problems


def check_links(site: Site, form: Form, problems: Problems) -> None:
    """Every pair of links, the later of the two being reported."""
    links = list(site.links.values())
    for index, link in enumerate(links):
        for other in links[:index]:
            for check in (_lines, _sockets, _devices, _clients):
                check(link, other, form, problems)
    for link in links:
        if isinstance(link, BacnetLink):
            _itself(link, form, problems)


def _report(link: LinkSpec, field: str, code: str, text: str, remedy: str, form: Form, problems: Problems) -> None:
    link_form = form.forms("links")[link.name]
    name = field if link_form.has(field) else kind_of(link_form) or ""
    if name in link_form.broken:
        return
    problems.error(link_form.at(name), code, f"{name}={shown(link_form.written(name))}: {text}", remedy)


# --- serial ports and device servers --------------------------------------------------------------


def _line_of(link: LinkSpec) -> str:
    """The serial line that a link is on: its port, or the device server that passes it on."""
    if not isinstance(link, ModbusRtuLink | TextLink):
        return ""
    if link.serial is not None:
        return link.serial.port
    return f"{link.host}:{link.tcp_port}" if link.host else ""


def _lines(link: LinkSpec, other: LinkSpec, form: Form, problems: Problems) -> None:
    line = _line_of(link)
    if not line or line != _line_of(other):
        return
    text, remedy = f"link {other.name} has this line already", "one line has one link; mend one of the two"
    if isinstance(link, ModbusRtuLink) and isinstance(other, ModbusRtuLink):
        if link.way is other.way is BusWay.POLL:
            text = f"link {other.name} polls this bus already, and a bus has one master"
        remedy = "make one link of the two, and name the unit in each row"
    elif isinstance(link, ModbusRtuLink) or isinstance(other, ModbusRtuLink):
        text += ", and a Modbus RTU bus carries no printed lines"
    _report(link, "", "same-line", text, remedy, form, problems)


# --- BACnet ---------------------------------------------------------------------------------------

_EVERY = "0.0.0.0"  # noqa: S104 - compared, not opened


def _sockets(link: LinkSpec, other: LinkSpec, form: Form, problems: Problems) -> None:
    """Links that listen on one socket are one device there; sockets that overlap cannot both be had."""
    if not isinstance(link, BacnetLink) or not isinstance(other, BacnetLink) or link.listen_port != other.listen_port:
        return
    if link.listen_host != other.listen_host:
        if _EVERY in (link.listen_host, other.listen_host):
            text = f"link {other.name} listens on {other.listen_host} port {other.listen_port}, which overlaps"
            remedy = "write the same listen on: in both, or another port in one"
            _report(link, "listen on", "listen-on", text, remedy, form, problems)
        return
    for field, text in _differences(link, other):
        remedy = "write the same in both, or another port in listen on:"
        _report(link, field, "listen-on", text, remedy, form, problems)


def _differences(link: BacnetLink, other: BacnetLink) -> Iterator[tuple[str, str]]:
    there = f"in link {other.name}, which listens on the same port {other.listen_port}"
    if link.own_device != other.own_device:
        yield "own device", f"it is {other.own_device} {there}"
    if link.listen_prefix != other.listen_prefix:
        yield "listen on", f"the mask has {other.listen_prefix} bits {there}"
    if (link.bbmd_host, link.bbmd_port) != (other.bbmd_host, other.bbmd_port):
        is_one = f"{other.bbmd_host}:{other.bbmd_port}" if other.bbmd_host else "not a foreign device"
        yield "foreign device of", f"it is {is_one} {there}"
    elif link.registration_ttl_s != other.registration_ttl_s:
        yield "registration", f"it is {other.registration_ttl_s} s {there}"


def _devices(link: LinkSpec, other: LinkSpec, form: Form, problems: Problems) -> None:
    """An instance names one device in the whole network (ASHRAE 135, 12.11)."""
    if not isinstance(link, BacnetLink) or not isinstance(other, BacnetLink):
        return
    forms = form.forms("links")
    if "device" not in forms[link.name].values or "device" not in forms[other.name].values:
        return
    if link.device == other.device:
        text = f"link {other.name} names this device already, and each device has a number of its own"
        remedy = "mend the number, or map all its points over one link"
        _report(link, "device", "same-device", text, remedy, form, problems)
    elif other.own_device == link.device:
        text = f"link {other.name} takes this number for farend itself"
        _report(link, "device", "same-device", text, f"write another own device: in link {other.name}", form, problems)
    elif link.own_device == other.own_device and _are_apart(link, other):
        text = f"farend would be device {link.own_device} here and on the socket of link {other.name}"
        remedy = "write another own device: in one of the two, or the same listen on: in both"
        _report(link, "own device", "same-device", text, remedy, form, problems)


def _are_apart(link: BacnetLink, other: BacnetLink) -> bool:
    """True for two sockets that can both be had, each of which makes farend a device of its own."""
    overlaps = link.listen_host == other.listen_host or _EVERY in (link.listen_host, other.listen_host)
    return link.listen_port != other.listen_port or not overlaps


def _itself(link: BacnetLink, form: Form, problems: Problems) -> None:
    """farend is no device that it could listen to."""
    if "device" in form.forms("links")[link.name].values and link.device == link.own_device:
        text = "farend itself takes this number"
        _report(link, "device", "same-device", text, "write another own device:", form, problems)
    is_here = link.listen_host == _EVERY or link.listen_host.startswith("127.")
    if is_here and link.port == link.listen_port and link.host.startswith("127."):
        text = f"farend itself listens on port {link.listen_port} of this computer"
        _report(link, "listen on", "listen-on", text, "write another port in listen on:", form, problems)


# --- MQTT -----------------------------------------------------------------------------------------


def _clients(link: LinkSpec, other: LinkSpec, form: Form, problems: Problems) -> None:
    """A broker closes the connection of a client when another one of the same identifier comes (MQTT 3.1.1, 3.1.4)."""
    if not isinstance(link, MqttLink) or not isinstance(other, MqttLink) or not link.client_id:
        return
    if (link.host, link.port, link.client_id) == (other.host, other.port, other.client_id):
        text = f"link {other.name} has it too, and the broker would close one for the other"
        _report(link, "client id", "client-id", text, "write another, or leave it out", form, problems)
