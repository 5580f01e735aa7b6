"""``farend demo``."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import click

from harness.cli.common import note
from harness.core.errors import FarendError, UsageError
from harness.run.gate import read_reviews
from harness.run.order import Selection
from harness.run.testing import TestOptions, record_name

PORTS: Final = {"panel": 15020, "bms": 15021, "printer": 15022}
"""The ports that the demo's site file names; the demo replaces them by the free ones that the simulated site got."""

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
@click.option("--plain", is_flag=True, help="Plain lines even in a terminal.")
@click.option("--json", "as_json", is_flag=True, help="Print the judged record as JSON at the end.")
def command(
    folder: Path,
    defects: tuple[str, ...],
    healthy: bool,
    seed: int,
    only: tuple[str, ...],
    plain: bool,
    as_json: bool,
) -> int:
    """Start a simulated site that has a few faults, raise its alarms, and show which output got which.

    The exit code is the test's: with the usual faults it is 1. Nothing outside this computer is touched.
    """
    from harness.cli.common import load
    from harness.cli.test import perform
    from harness.site.profiles import profiles_folder

    if healthy and defects:
        raise click.UsageError("--healthy and --defect exclude each other")
    chosen = () if healthy else defects or DEFECTS
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as exc:
        raise UsageError(f"--folder {folder}: cannot be made: {exc.strerror}; choose another one") from exc
    with simulated_site(chosen, seed) as ports:
        profile = profiles_folder() / "demo"
        entry = copy_profile(profile, folder, ports)
        read, documents = load(entry)
        options = TestOptions(
            record=record_name(read.name, folder),
            selection=Selection(only=only),
            arm=read.name,
            reviews=read_reviews(profile / "reviews.yaml"),
            who="demo",
            seed=seed,
            command=tuple(sys.argv[1:]),
        )
        for defect in chosen:
            note(f"the simulated site has a fault: {defect}")
        html = options.record.with_suffix(".html")
        return perform(read, documents, options, plain=plain, as_json=as_json, html_file=html)


@contextmanager
def simulated_site(defects: tuple[str, ...], seed: int) -> Iterator[dict[str, int]]:
    """The simulated site in a process of its own; gives its ports by the link's name. It ends with the ``with``."""
    # Its own session: Ctrl-C in a terminal goes to every process there, and the alarms have to be cleared first.
    arguments = [sys.executable, "-m", "sims", "--until-eof", "--seed", str(seed)]
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
        yield {name: int(told[f"{name}_port"]) for name in PORTS}
    finally:
        process.communicate()


def copy_profile(profile: Path, folder: Path, ports: dict[str, int]) -> Path:
    """Copy the demo's files, with the ports that the simulated site really has. Returns the site file."""
    for source in sorted(profile.iterdir()):
        text = source.read_text(encoding="utf-8")
        for name, port in ports.items():
            text = text.replace(f"127.0.0.1:{PORTS[name]}", f"127.0.0.1:{port}")
        (folder / source.name).write_text(text, encoding="utf-8")
    return folder / "site.yaml"
