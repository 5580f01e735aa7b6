"""Links of BACnet/IP devices and MQTT brokers."""

from __future__ import annotations

from typing import Final

from harness.core.links import BacnetLink, CovKind, MqttLink, MqttVersion, Tls
from harness.site.forms import Form
from harness.site.kinds import HostPort
from harness.site.link_parts import TIMEOUT_DEFAULT_NS, needed, number_or, peer_of
from harness.site.names import shown
from harness.site.problems import Problems
from harness.site.protocol_kinds import BACNET_PORT, INSTANCE_MAX, ListenOn

MQTT_PORT: Final = 1883
MQTT_TLS_PORT: Final = 8883
"""As IANA has them: mqtt and secure-mqtt."""

COV_LIFETIME_S: Final = 300
REGISTRATION_S: Final = 60
EVERY_ADDRESS: Final = ListenOn(host="0.0.0.0", prefix=24, port=BACNET_PORT)  # noqa: S104 - broadcasts need it


def bacnet_link(form: Form, kind: str, problems: Problems) -> BacnetLink:
    """A BACnet/IP device."""
    needed(form, "device", "add device: the instance of the BACnet device, which proves that it is the one", problems)
    remedy = "add for example poll every: 2 s; what is notified is read too, so that a lost subscription is noticed"
    needed(form, "poll every", remedy, problems)
    peer, listen = peer_of(form, kind), form.get("listen on", ListenOn) or EVERY_ADDRESS
    bbmd = form.get("foreign device of", HostPort)
    if "registration" in form.values and not form.has("foreign device of"):
        text = f"registration={shown(form.written('registration'))}: of a foreign device, and this is none"
        problems.error(form.at("registration"), "registration", text, "delete it, or add foreign device of:")
    return BacnetLink(
        name=form.name,
        host=peer.host,
        port=peer.port,
        device=number_or(form, "device", 0),
        listen_host=listen.host,
        listen_port=listen.port,
        listen_prefix=listen.prefix,
        own_device=number_or(form, "own device", INSTANCE_MAX),
        bbmd_host=bbmd.host if bbmd is not None else None,
        bbmd_port=bbmd.port if bbmd is not None else BACNET_PORT,
        registration_ttl_s=form.get("registration", int) or REGISTRATION_S,
        poll_period_ns=form.get("poll every", int) or 1,
        timeout_ns=form.get("timeout", int) or TIMEOUT_DEFAULT_NS,
        objects_per_read=form.get("objects per read", int) or 20,
        cov=form.get("cov", CovKind) or CovKind.CONFIRMED,
        cov_lifetime_s=form.get("cov lifetime", int) or COV_LIFETIME_S,
        process=number_or(form, "process", 1),
        longest_delay_ns=form.get("longest delay", int),
        promises_every_change=form.get("promises every change", bool) or False,
        origin=form.origin,
    )


def mqtt_link(form: Form, kind: str, problems: Problems) -> MqttLink:
    """An MQTT broker."""
    peer, tls = peer_of(form, kind), _tls(form, problems)
    _check_alive(form, problems)
    if "password from" in form.values and not form.has("user"):
        text = f"password from={shown(form.written('password from'))}: a password goes with a user"
        problems.error(form.at("password from"), "password", text, "add user:")
    if form.has("time format") and not form.has("time at"):
        text = f"time format={shown(form.written('time format'))}: is of a time in each message, and nothing says where"
        problems.error(form.at("time format"), "missing", text, "add time at:, or delete it")
    return MqttLink(
        name=form.name,
        host=peer.host,
        port=peer.port or (MQTT_PORT if tls is None else MQTT_TLS_PORT),
        version=form.get("version", MqttVersion) or MqttVersion.V311,
        client_id=form.text("client id"),
        user_name=form.text("user") or None,
        password_env=form.text("password from") or None,
        tls=tls,
        qos=number_or(form, "qos", 1),
        keep_alive_s=form.get("keep alive", int) or 15,
        timeout_ns=form.get("timeout", int) or TIMEOUT_DEFAULT_NS,
        alive_topic=form.text("alive topic") or None,
        down_payload=form.text("down payload") or None,
        will_within_ns=form.get("last will within", int),
        sequence_pointer=form.get("sequence at", str),
        time_pointer=form.get("time at", str),
        time_format=form.text("time format"),
        longest_delay_ns=form.get("longest delay", int),
        promises_every_change=form.get("promises every change", bool) or False,
        origin=form.origin,
    )


def _tls(form: Form, problems: Problems) -> Tls | None:
    """None where the connection is not secured. The files are looked for when listening begins."""
    value = form.values.get("tls")
    if value is None or value.means is False:
        return None
    files = value.means
    if not isinstance(files, Form):
        return Tls()
    for name, other in (("certificate file", "key file"), ("key file", "certificate file")):
        if files.has(name) and not files.has(other):
            text = f"{name}={shown(files.written(name))}: {other} is missing"
            problems.error(files.at(name), "tls", text, f"add {other}:, for each is of no use without the other")
    return Tls(
        ca_file=files.text("ca file") or None,
        certificate_file=files.text("certificate file") or None,
        key_file=files.text("key file") or None,
    )


def _check_alive(form: Form, problems: Problems) -> None:
    alive, down = form.has("alive topic"), form.has("down payload")
    if alive and not down:
        needed(form, "down payload", "add what the alive topic says while the controller is not there: its last will",
               problems)  # fmt: skip
    if "last will within" in form.values and not alive:
        text = f"last will within={shown(form.written('last will within'))}: needs an alive topic, and there is none"
        problems.error(form.at("last will within"), "alive", text, "add alive topic: and down payload:, or delete it")
    if down and not alive:
        text = f"down payload={shown(form.written('down payload'))}: belongs to an alive topic, and there is none"
        problems.error(form.at("down payload"), "alive", text, "add alive topic:, or delete it")
