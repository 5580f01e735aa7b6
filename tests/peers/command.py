"""The ``farend`` command in processes of its own, and folders with the demo's files on a simulated site's ports."""

from __future__ import annotations

import contextlib
import os
import re
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Self

from pymodbus.client import ModbusTcpClient

from harness.cli.demo import PORTS as DEMO_PORTS
from harness.core.errors import SiteError
from harness.site.profiles import profiles_folder
from sims import SiteProcess
from tests.peers.reviewed import write_reviews

ROOT = Path(__file__).parents[2]
DEADLINE_S = 60
"""Far more than anything here takes; only a broken test runs into it."""
ALARMS = 28
PORTS = {name: DEMO_PORTS[name] for name in ("panel", "bms", "printer")}
"""The links of the demo's site that commands are tried on: enough for each command, and quick."""
COMMAND = (sys.executable, "-W", "error", "-m", "harness.cli")


def environment(**changes: str) -> dict[str, str]:
    """The environment of this process, with the package importable from every folder and UTF-8 in all pipes."""
    return {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "utf-8", **changes}


@dataclass(frozen=True, slots=True)
class Done:
    """A command that has ended."""

    code: int
    out: str
    err: str


def farend(*arguments: object, cwd: Path, env: Mapping[str, str] | None = None) -> Done:
    """Run it to its end. Whatever happens, it must not fall over: a traceback fails the test."""
    words = [*COMMAND, *map(str, arguments)]
    done = subprocess.run(  # noqa: S603 - this interpreter, this package
        words, cwd=cwd, env=env or environment(), capture_output=True, encoding="utf-8", timeout=DEADLINE_S,
        check=False, stdin=subprocess.DEVNULL,
    )  # fmt: skip
    assert "Traceback" not in done.stderr, done.stderr
    return Done(done.returncode, done.stdout, done.stderr)


class Running:
    """A command that is running: its lines are collected, and can be waited for."""

    def __init__(self, *arguments: object, cwd: Path) -> None:
        self.process = subprocess.Popen(  # noqa: S603 - this interpreter, this package
            [*COMMAND, *map(str, arguments)], cwd=cwd, env=environment(PYTHONUNBUFFERED="1"), encoding="utf-8",
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, start_new_session=True,
        )  # fmt: skip
        self._heard = threading.Condition()
        self._lines: dict[str, list[str]] = {"out": [], "err": []}
        self._ended: set[str] = set()
        pipes = (("out", self.process.stdout), ("err", self.process.stderr))
        self._readers = [threading.Thread(target=self._read, args=one, daemon=True) for one in pipes]
        for reader in self._readers:
            reader.start()

    def _read(self, name: str, pipe: Iterator[str]) -> None:
        for line in pipe:
            with self._heard:
                self._lines[name].append(line.rstrip("\n"))
                self._heard.notify_all()
        with self._heard:
            self._ended.add(name)
            self._heard.notify_all()

    def until(self, condition: Callable[[str], bool], name: str = "out") -> str:
        """Wait for a line; looks at those that came already too."""
        with self._heard:
            found = self._heard.wait_for(
                lambda: next((it for it in self._lines[name] if condition(it)), None) or name in self._ended, DEADLINE_S
            )
            assert isinstance(found, str), f"no such line; {self._lines}"
            return found

    def signal(self, number: signal.Signals) -> None:
        self.process.send_signal(number)

    def done(self) -> Done:
        """Wait for its end."""
        code = self.process.wait(DEADLINE_S)
        for reader in self._readers:
            reader.join(DEADLINE_S)
        assert self.process.stdout is not None
        assert self.process.stderr is not None
        self.process.stdout.close()
        self.process.stderr.close()
        done = Done(code, "\n".join(self._lines["out"]), "\n".join(self._lines["err"]))
        assert "Traceback" not in done.err, done.err
        return done

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        with contextlib.suppress(ProcessLookupError):
            self.process.kill()
        self.done()


def demo_files(folder: Path, ports: Mapping[str, int], *changes: tuple[str, str]) -> Path:
    """The demo's site file, of the links in ``PORTS``, and all beside it, on other ports and with texts replaced.

    Beside them reviews that accept all its side effects.

    Returns the site file in ``folder``. Each text to be replaced must be in one of the files.
    """
    folder.mkdir(parents=True, exist_ok=True)
    left = {old for old, _ in changes}
    for source in sorted((profiles_folder() / "demo").iterdir()):
        text = _few_links(source.name, source.read_text(encoding="utf-8"))
        for name, port in ports.items():
            text = text.replace(f"127.0.0.1:{PORTS[name]}", f"127.0.0.1:{port}")
        for old, new in changes:
            if old in text:
                left.discard(old)
                text = text.replace(old, new)
        (folder / source.name).write_text(text, encoding="utf-8")
    assert not left
    with contextlib.suppress(SiteError):  # a test may want a file that cannot be read
        write_reviews(folder / "site.yaml", "demo (simulated site, nothing real is moved)")
    return folder / "site.yaml"


def _few_links(name: str, text: str) -> str:
    """A file of the demo without the links that are not in ``PORTS``, their rows and their loops."""
    if name == "site.yaml":
        links = _part(text, "links")
        other = rf"^  (?!(?:{'|'.join(PORTS)}):)[\w-]+:(?: #.*)?\n(?:    .*\n|\n)+"
        text = text.replace(links, re.sub(other, "", links, flags=re.MULTILINE))
        text = text.replace(_part(text, "loops"), "")
        return re.sub(r"^  rows:.*\n(?:    .*\n|\n)*", "", text, flags=re.MULTILINE)
    if name == "points.csv":
        rows = text.splitlines(keepends=True)
        return "".join(row for row in rows if row.startswith(("#", "alarm,")) or row.split(",")[1] in PORTS)
    return text


def _part(text: str, name: str) -> str:
    """One section of a site file, from its name to the next one."""
    found = re.search(rf"^{name}:.*\n(?:(?: .*)?\n)*", text, flags=re.MULTILINE)
    assert found, name
    return found[0]


def ports_of(site: SiteProcess) -> dict[str, int]:
    return {name: site.port(name) for name in PORTS}


@contextlib.contextmanager
def panel(site: SiteProcess) -> Iterator[ModbusTcpClient]:
    """The panel of a site, through somebody else's client."""
    client = ModbusTcpClient("127.0.0.1", port=site.port("panel"), timeout=DEADLINE_S, retries=0)
    assert client.connect()  # type: ignore[no-untyped-call]
    try:
        yield client
    finally:
        client.close()  # type: ignore[no-untyped-call]


def active(site: SiteProcess) -> list[int]:
    """The numbers of the alarms that are active at the panel."""
    with panel(site) as client:
        answer = client.read_discrete_inputs(0, count=ALARMS, device_id=1)
        assert not answer.isError()
        return [number for number in range(ALARMS) if answer.bits[number]]


def clear_all(site: SiteProcess) -> None:
    """Clear and acknowledge whatever is active."""
    for number in active(site):
        with panel(site) as client:
            for action in (4, 3):
                assert not client.write_registers(900, [number + 1, action], device_id=1).isError()
