"""``python -m sims``: the simulated site as a process of its own."""

from __future__ import annotations

import argparse
import asyncio
import json
import logging
import signal
import sys
import threading
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from sims import building_options
from sims.clock import read_setting, read_signed
from sims.defects import list_defects
from sims.durations import NS_PER_MS, format_duration, parse_duration
from sims.options import SiteOptions
from sims.site import SimulatedSite

_TIMES: Final = (
    ("scan", "time from one scan of the controller to the next"),
    ("output-delay", "time from a scan until the building system's outputs show it"),
    ("printer-delay", "time from a scan until its lines are printed"),
    ("mqtt-delay", "time from a scan until its changes are published"),
    ("heartbeat", "time from one heartbeat line, or message that it is there, to the next"),
    ("bus-delay", "time from a scan until the units of the bus show it"),
    ("bus-turnaround", "time that a unit waits before it answers, besides the silence of 3.5 characters"),
    ("bus-round", "time from one round of the bus's own master to the next"),
    ("gateway-poll", "time from one poll of the building system by the gateway to the next"),
    ("annunciator-delay", "time from a scan until the annunciator shows it"),
)


def _duration(text: str) -> int:
    try:
        return parse_duration(text)
    except ValueError as exc:
        raise argparse.ArgumentTypeError(str(exc)) from exc


def _signed(text: str) -> int:
    try:
        return read_signed(text)
    except ValueError as exc:
        raise argparse.ArgumentTypeError(str(exc)) from exc


def _setting(text: str) -> tuple[int, int]:
    try:
        return read_setting(text)
    except ValueError as exc:
        raise argparse.ArgumentTypeError(str(exc)) from exc


def _lasting(text: str) -> tuple[str, int]:
    name, _, duration = text.partition("=")
    return name, _duration(duration)


def _port(text: str) -> int:
    if not text.isdecimal() or int(text) > 65535:
        raise argparse.ArgumentTypeError(f"{text!r}: expected a port from 0 to 65535; 0 lets the system choose")
    return int(text)


def _broker(text: str) -> tuple[str, int]:
    host, _, port = text.rpartition(":")
    if not host:
        raise argparse.ArgumentTypeError(f"{text!r}: expected HOST:PORT")
    return host, _port(port)


DEMO: Final[dict[str, object]] = {
    "panel_port": 15020,
    "bms_port": 15021,
    "printer_port": 15022,
    "bus_port": 15024,
    "gateway_port": 15025,
    "annunciator_port": 15026,
    "building_port": 15027,
    "building_recipient": [("127.0.0.1", 15028)],
    "gateway_poll": 500 * NS_PER_MS,
}
"""The addresses that profiles/demo/site.yaml names, and the period that its limits for the gateway are meant for."""


def _parser() -> argparse.ArgumentParser:
    defaults = SiteOptions()
    parser = argparse.ArgumentParser(
        prog="python -m sims",
        description="A simulated site. Prints one JSON line with its ports when it listens, "
        "and runs until it is interrupted.",
    )
    add = parser.add_argument
    add(
        "--demo",
        action="store_true",
        help="listen where the demo's site file says, with its gateway's period and farend as recipient of events",
    )
    add("--host", default=defaults.host, help="address to listen on (default: %(default)s)")
    add("--panel-port", type=_port, default=0, metavar="PORT", help="Modbus TCP port of the panel (default: any free)")
    add("--bms-port", type=_port, default=0, metavar="PORT", help="Modbus TCP port of the building system (any free)")
    add("--printer-port", type=_port, default=0, metavar="PORT", help="TCP port of the printed line (any free)")
    add("--printer-pty", action="store_true", help="also print on a pseudo-terminal")
    add("--bus-port", type=_port, default=0, metavar="PORT", help="TCP port of the RS-485 bus, RTU frames as they are")
    add("--bus-tap-port", type=_port, default=0, metavar="PORT", help="TCP port that only hears the bus (any free)")
    add("--bus-pty", action="store_true", help="have the bus on a pseudo-terminal too")
    add("--bus-tap-pty", action="store_true", help="have a pseudo-terminal that only hears the bus")
    add("--bus-baud", type=int, default=defaults.bus_baud, metavar="BAUD", help="speed (default: %(default)s)")
    add("--bus-master", action="store_true", help="have a master on the bus that polls every unit")
    add("--log-answers", action="store_true", help="tell the truth log of every answer on the bus")
    add(
        "--loop-failure",
        type=float,
        default=defaults.loop_failure_ma,
        dest="loop_failure_ma",
        metavar="MA",
        help="current of a loop whose probe has failed (default: %(default)s)",
    )
    add("--gateway-port", type=_port, default=0, metavar="PORT", help="Modbus TCP port of the gateway (any free)")
    add("--annunciator-port", type=_port, default=0, metavar="PORT", help="TCP port of the annunciator (any free)")
    add("--mqtt", type=_broker, metavar="HOST:PORT", help="also publish alarms through this MQTT broker")
    add("--seed", type=int, default=0, help="chooses what a defect leaves open (default: %(default)s)")
    add("--defect", action="append", default=[], metavar="SPEC", help="add a defect; may be repeated")
    add("--list-defects", action="store_true", help="list all defects with what each one does, and stop")
    add("--truth", type=Path, metavar="FILE", help="write the truth log there, one JSON object a line")
    for name, what in _TIMES:
        default_ns = getattr(defaults, f"{name.replace('-', '_')}_ns")
        add(
            f"--{name}",
            type=_duration,
            default=default_ns,
            metavar="TIME",
            help=f"{what} (default: {format_duration(default_ns)})",
        )
    add("--lasts", type=_lasting, action="append", default=[], metavar="ALARM=TIME", help="how long a transient lasts")
    add("--clock-offset", type=_signed, default=0, metavar="[-]TIME", help="how far the printed times are ahead (0)")
    add("--clock-drift", type=int, default=0, metavar="PPM", help="how much too fast their clock runs (default: 0)")
    add("--clock-set", type=_setting, action="append", default=[], metavar="AFTER=[-]TIME",
        help="set their clock ahead by TIME so long after the start; may be repeated")  # fmt: skip
    building_options.add_arguments(parser)
    add("--until-eof", action="store_true", help="also stop when standard input ends")
    return parser


def _demo_namespace(argv: Sequence[str] | None) -> argparse.Namespace:
    """What ``--demo`` stands for; every option that is given besides goes before it."""
    early = argparse.ArgumentParser(add_help=False, allow_abbrev=False)
    early.add_argument("--demo", action="store_true")
    is_demo = early.parse_known_args(argv)[0].demo
    return argparse.Namespace(**DEMO) if is_demo else argparse.Namespace()


def _stop_on_signals(loop: asyncio.AbstractEventLoop, stop: asyncio.Event) -> None:
    for number in (signal.SIGINT, signal.SIGTERM):
        try:
            loop.add_signal_handler(number, stop.set)
        except NotImplementedError:  # Windows
            signal.signal(number, lambda *_: loop.call_soon_threadsafe(stop.set))


def _stop_on_eof(loop: asyncio.AbstractEventLoop, stop: asyncio.Event) -> None:
    def read() -> None:
        while sys.stdin.buffer.read(4096):
            pass
        loop.call_soon_threadsafe(stop.set)

    threading.Thread(target=read, name="stdin", daemon=True).start()


async def _run(options: SiteOptions, *, until_eof: bool) -> None:
    loop = asyncio.get_running_loop()
    stop = asyncio.Event()
    _stop_on_signals(loop, stop)
    async with SimulatedSite(options) as site:
        print(json.dumps(site.ready()), flush=True)
        if until_eof:
            _stop_on_eof(loop, stop)
        stopped = asyncio.create_task(stop.wait(), name="stop")
        failed = asyncio.create_task(site.wait(), name="site")
        done, pending = await asyncio.wait((stopped, failed), return_when=asyncio.FIRST_COMPLETED)
        for task in pending:
            task.cancel()
        for task in done:
            task.result()


def main(argv: Sequence[str] | None = None) -> int:
    """Run the simulated site; 0 when it was stopped, 2 for an option or port that cannot be had."""
    parser = _parser()
    arguments = vars(parser.parse_args(argv, namespace=_demo_namespace(argv)))
    arguments.pop("demo")
    if arguments.pop("list_defects"):
        print(list_defects())
        return 0
    for library in ("pymodbus", "bacpypes3"):  # what they say of a client's mistakes is not for this screen
        logging.getLogger(library).addHandler(logging.NullHandler())
    until_eof = arguments.pop("until_eof")
    arguments["defects"] = tuple(arguments.pop("defect"))
    arguments["lasts_ns"] = dict(arguments.pop("lasts"))
    arguments["clock_offset_ns"] = arguments.pop("clock_offset")
    arguments["clock_drift_ppm"] = arguments.pop("clock_drift")
    arguments["clock_set"] = tuple(arguments["clock_set"])
    arguments["mqtt_host"], arguments["mqtt_port"] = arguments.pop("mqtt") or (None, 0)
    for name in (name.replace("-", "_") for name, _ in _TIMES):
        arguments[f"{name}_ns"] = arguments.pop(name)
    try:
        arguments["building"] = building_options.take_arguments(arguments)
        options = SiteOptions(keep_truth=False, **arguments)
        asyncio.run(_run(options, until_eof=until_eof))
    except (OSError, ValueError, NotImplementedError) as exc:
        print(f"{parser.prog}: {exc}", file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
