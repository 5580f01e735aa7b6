"""``farend demo``."""

from __future__ import annotations

import json
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import click

from harness.cli.common import all_option, note
from harness.core.errors import FarendError, UsageError
from harness.core.links import MqttLink, PersonLink
from harness.core.model import Decision, Site
from harness.run.gate import Reviews
from harness.run.order import Selection
from harness.run.testing import TestOptions, record_name

PORTS: Final = {"panel": 15020, "bms": 15021, "printer": 15022, "bus": 15024, "gateway": 15025, "building": 15027}
"""The ports that the demo's site file names; the demo replaces them by the free ones that the simulated site got."""

ANNUNCIATOR: Final = "annunciator"
"""What only a person sees: its port is where it can be looked at, and no address of the site file."""

LISTENING_PORT: Final = 15028
"""The port of the site file on which farend itself is a BACnet/IP device, and gets notifications."""

BROKER: Final = "127.0.0.1:1883"
"""The broker that the demo's site file names, and where one is looked for."""

BROKER_TIMEOUT_S: Final = 0.5
GATEWAY_POLL: Final = "500ms"
"""The limits of the site file's gateway rows are meant for it."""

DEFECTS: Final = (
    "swapped-pair:bulk-a.water@bms=day.low",
    "late:bulk-b.temperature-high@bms=1100ms",
    "never-appears:bulk-b.interstitial-leak@printer",
    "too-short:day.high-high@bms.latched=200ms",
    "leak:printer.paper-low@bms",
)


@click.command(name="demo", short_help="Simulated site, test and report in one go.")
@click.option("--folder", type=click.Path(path_type=Path), default=Path("farend-demo"), help="Where results go.")
@click.option("--defect", "defects", multiple=True, metavar="SPEC", help="Defects instead of the usual ones.")
@click.option("--healthy", is_flag=True, help="A site without defects.")
@click.option("--seed", type=int, default=1, show_default=True, help="Chooses what a defect leaves open.")
@click.option("--only", multiple=True, metavar="PATTERN", help="Only alarms that fit; repeatable.")
@click.option("--broker", metavar="HOST:PORT", help=f"An MQTT broker to go through. Default: {BROKER} if it answers.")
@click.option("--with-person", is_flag=True, help="You watch lamp, horn and display too, and report by keys.")
@click.option("--plain", is_flag=True, help="Plain lines even in a terminal.")
@all_option
@click.option("--json", "as_json", is_flag=True, help="Print the judged record as JSON at the end.")
def command(
    folder: Path,
    defects: tuple[str, ...],
    healthy: bool,
    seed: int,
    only: tuple[str, ...],
    broker: str | None,
    with_person: bool,
    plain: bool,
    every_row: bool,
    as_json: bool,
) -> int:
    """Start a simulated site that has a few faults, raise its alarms, and show which output got which.

    It listens on Modbus TCP, a Modbus RTU bus with current loops, BACnet/IP, printed text, a gateway behind the
    building system, and on MQTT where there is a broker. Lamp and horn need you: '--with-person' says how to look at
    them in a second terminal; without it they are not tested. The exit code is the test's: with the usual faults it is
    1. Nothing outside this computer is touched, but for a broker that you name.
    """
    from harness.cli.common import load
    from harness.cli.test import perform
    from harness.site.profiles import profiles_folder

    if healthy and defects:
        raise click.UsageError("--healthy and --defect exclude each other")
    if with_person and not sys.stdin.isatty():
        raise UsageError("--with-person: standard input is no terminal, so you cannot report; start it in a terminal")
    chosen = () if healthy else defects or DEFECTS
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as exc:
        raise UsageError(f"--folder {folder}: cannot be made: {exc.strerror}; choose another one") from exc
    listening_port = free_udp_port()
    at = broker_address(broker)
    with simulated_site(chosen, seed, listening_port, at) as ports:
        profile = profiles_folder() / "demo"
        places = {f"127.0.0.1:{port}": f"127.0.0.1:{ports[name]}" for name, port in PORTS.items()}
        places[f"127.0.0.1/8:{LISTENING_PORT}"] = f"127.0.0.1/8:{listening_port}"
        entry = copy_profile(profile, folder, places | ({BROKER: at} if at else {}))
        read, documents = load(entry)
        absent = [name for name, link in read.links.items() if isinstance(link, PersonLink) and not with_person]
        absent += [name for name, link in read.links.items() if isinstance(link, MqttLink) and not at]
        if at is None:
            note(f"no MQTT broker answers at {BROKER}, so its rows are not tested; start one, or name it with --broker")
        options = TestOptions(
            record=record_name(read.name, folder),
            selection=Selection(only=only, links=tuple(name for name in read.links if name not in absent)),
            arm=read.name,
            reviews=demo_reviews(read),
            standing_anything="a fault of the simulated site",
            who="demo",
            seed=seed,
            command=tuple(sys.argv[1:]),
        )
        for defect in chosen:
            note(f"the simulated site has a fault: {defect}")
        if with_person:
            note("look at the annunciator in a second terminal, and report here what you see there:")
            note(f"  {sys.executable} -m sims.annunciator_view 127.0.0.1 {ports[ANNUNCIATOR]}")
        html = options.record.with_suffix(".html")
        return perform(read, documents, options, plain=plain, every_row=every_row, as_json=as_json, html_file=html)


def demo_reviews(site: Site) -> Reviews:
    """All accepted: every side effect of the simulated site is simulated too."""
    decisions = dict.fromkeys(site.side_effects, Decision.ACCEPTED)
    return Reviews(by="demo (simulated site, nothing real is moved)", decisions=decisions)


def broker_address(given: str | None) -> str | None:
    """Where a broker answers, None where none was given and none is found. UsageError where the given one does not."""
    host, _, port = (given or BROKER).rpartition(":")
    if not host or not port.isdecimal():
        raise UsageError(f"--broker {given}: expected HOST:PORT, such as {BROKER}")
    try:
        socket.create_connection((host.strip("[]"), int(port)), timeout=BROKER_TIMEOUT_S).close()
    except (OSError, OverflowError) as exc:
        if given is None:
            return None
        raise UsageError(f"--broker {given}: no broker answers there: {exc}; start it, or mend the address") from exc
    return given or BROKER


def free_udp_port() -> int:
    """A port of this computer that nobody uses at present."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def simulated_site(
    defects: tuple[str, ...], seed: int, listening_port: int, broker: str | None = None
) -> Iterator[dict[str, int]]:
    """The simulated site in a process of its own; gives its ports by the link's name. It ends with the ``with``.

    ``listening_port``: where farend takes BACnet/IP notifications, so that the simulated site has it as a recipient.
    """
    # Its own session: Ctrl-C in a terminal goes to every process there, and the alarms have to be cleared first.
    arguments = [sys.executable, "-m", "sims", "--until-eof", "--seed", str(seed), "--gateway-poll", GATEWAY_POLL]
    arguments += ["--building-port", "0", "--building-recipient", f"127.0.0.1:{listening_port}"]
    if broker is not None:
        arguments += ["--mqtt", broker]
    for defect in defects:
        arguments += ["--defect", defect]
    pipe = subprocess.PIPE
    process = subprocess.Popen(arguments, stdin=pipe, stdout=pipe, stderr=pipe, start_new_session=True)  # noqa: S603  # our own module, no shell
    try:
        ready = process.stdout.readline() if process.stdout is not None else b""
        if not ready:
            said = process.stderr.read().decode(errors="replace").strip() if process.stderr is not None else ""
            raise FarendError(f"the simulated site did not start: {said}")
        told = json.loads(ready)
        yield {name: int(told[f"{name}_port"]) for name in (*PORTS, ANNUNCIATOR)}
    finally:
        process.communicate()


def copy_profile(profile: Path, folder: Path, places: dict[str, str]) -> Path:
    """Copy the demo's files, with the addresses at which things really are. Returns the site file."""
    for source in sorted(profile.iterdir()):
        text = source.read_text(encoding="utf-8")
        for written, real in places.items():
            text = text.replace(written, real)
        (folder / source.name).write_text(text, encoding="utf-8")
    return folder / "site.yaml"
