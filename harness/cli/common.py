"""What several commands share: options, loading a site, writing files, safe output."""

from __future__ import annotations

import asyncio
import json
import os
import re
import signal
import sys
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Any, Final, TextIO, TypeVar

import click

from harness.core.errors import UsageError
from harness.core.model import Site
from harness.report.safe import ascii_text, safe_text
from harness.site.files_beside import with_files_beside
from harness.site.reading import Documents, gather, read_site

T = TypeVar("T")

BEGINNING: Final = 12
"""Bytes by which files of one kind are told from others."""

PAGE: Final = "<!DOCTYPE html>"
"""How every page begins."""

json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON for programs instead of text.")

all_option = click.option("--all", "every_row", is_flag=True, help="Tell every row, not only what did not pass.")

SITE_ARGUMENT = click.argument("site", type=click.Path(path_type=Path))


def load(site: Path) -> tuple[Site, Documents]:
    """Read a site file with its point map, and show its warnings. Raises SiteError with all that is wrong."""
    path = found(site)
    documents = gather(path)
    read, problems = read_site(documents.files, documents.entry)
    for problem in problems:
        note_line(str(problem))
    return with_files_beside(read, path.parent), documents


def found(site: Path) -> Path:
    """The path of a site file; the name of a shipped profile stands for its site file where no such file exists."""
    from harness.site.profiles import profiles_folder

    shipped = profiles_folder() / site / "site.yaml"
    if not site.exists() and site.name == str(site) and shipped.is_file():
        return shipped
    return site / "site.yaml" if site.is_dir() else site


def duration_of(option: str, text: str) -> int:
    """A duration of the command line in ns. UsageError where it is none."""
    from harness.site.durations import read_duration
    from harness.site.problems import Mismatch

    try:
        return read_duration(text)
    except Mismatch as exc:
        raise UsageError(f"{option} {text}: {exc.expected}" + (f"; {exc.remedy}" if exc.remedy else "")) from exc


def period_of(option: str, text: str) -> int:
    """A duration above 0 in ns. UsageError where it is none."""
    period_ns = duration_of(option, text)
    if not period_ns:
        raise UsageError(f"{option} {text}: expected more than 0 s")
    return period_ns


def utc_offset_of(text: str | None) -> int | None:
    """``+01:00`` of the option --utc-offset in seconds. UsageError where it is none."""
    if text is None:
        return None
    match = re.fullmatch(r"([+-]?)(\d{1,2}):(\d\d)", text.strip())
    if match is None or int(match[2]) > 14 or int(match[3]) > 59:
        raise UsageError(f"--utc-offset {text}: expected hours and minutes, such as +01:00 or -05:30")
    seconds = int(match[2]) * 3600 + int(match[3]) * 60
    return -seconds if match[1] == "-" else seconds


def say(text: str = "", *, must_be_read: bool = False) -> None:
    """Print lines to standard output; nothing a device sent can move the cursor.

    Where nobody reads any more (``| head``) the command goes on and says nothing: what it does is not decided by who
    reads of it. With ``must_be_read`` it raises BrokenPipeError.
    """
    _echo(_shown(text), must_be_read=must_be_read)


def say_rendered(text: str) -> None:
    """Print what a renderer made, which is safe and has its own line feeds, to standard output."""
    _echo(text, nl=False)


def say_wrapped(text: str, *, first: int = 0, hang: int = 0, must_be_read: bool = False) -> None:
    """Print one text folded at the width of the terminal, its first line ``first`` columns in, the others ``hang``."""
    from harness.report.columns import Terminal

    for line in Terminal(width=terminal_width()).wrapped(text, first=first, hang=hang):
        say(line, must_be_read=must_be_read)


def note(text: str) -> None:
    """Print lines to standard error; nothing where nobody reads them any more."""
    _echo(_shown(text), err=True)


def _echo(text: str, *, nl: bool = True, err: bool = False, must_be_read: bool = False) -> None:
    try:
        click.echo(text, nl=nl, err=err)
    except BrokenPipeError:
        if must_be_read:
            raise
        unread(sys.stderr if err else sys.stdout)


def unread(stream: TextIO) -> None:
    """Nobody reads a stream any more: what is written to it from now on goes nowhere, and Python does not complain as
    it flushes at exit (library/signal, "Note on SIGPIPE").
    """
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, stream.fileno())
    os.close(nowhere)


def note_wrapped(text: str, *, first: int = 0, hang: int = 0, is_urgent: bool = False) -> None:
    """Print one text to standard error, folded at the width of the terminal; in red, and with a bell, where urgent.

    Its first line ``first`` columns in, the others ``hang``.
    """
    from harness.report.columns import Terminal

    folded = "\n".join(Terminal(width=terminal_width()).wrapped(text, first=first, hang=hang))
    if is_urgent and sys.stderr.isatty():
        click.secho(f"\a{_shown(folded)}", err=True, fg="red", bold=True)
    else:
        note(folded)


def say_line(text: str, *, first: int = 0, hang: int = 4, must_be_read: bool = False) -> None:
    """Print one line to standard output: folded where a person reads it in a terminal, else whole, to be searched."""
    if sys.stdout.isatty():
        say_wrapped(text, first=first, hang=hang, must_be_read=must_be_read)
    else:
        say(" " * first + text, must_be_read=must_be_read)


def note_line(text: str, *, first: int = 0, hang: int = 4) -> None:
    """Print lines to standard error: each folded where a person reads it in a terminal, else whole."""
    for line in text.split("\n"):
        if sys.stderr.isatty():
            note_wrapped(line, first=first, hang=hang)
        else:
            note(" " * first + line)


def _shown(text: str) -> str:
    encoding = (sys.stdout.encoding or "ascii").lower()
    if encoding.startswith("utf"):
        return safe_text(text, keep_newlines=True, limit=10_000_000)
    return "\n".join(ascii_text(line) for line in text.split("\n"))


def say_json(value: Any) -> None:
    """Print one canonical JSON document."""
    _echo(json.dumps(value, indent=1, sort_keys=True, ensure_ascii=True))


def check_replaces(path: Path, text: str) -> None:
    """UsageError where something else is at ``path`` already than a file that begins as ``text`` does.

    A name given by mistake, of a record, a site file or a sheet, must never cost what stands there.
    """
    try:
        with path.open("rb") as there:
            beginning = there.read(BEGINNING)
    except FileNotFoundError:
        return
    except OSError as exc:
        raise UsageError(f"{path}: cannot be written: {exc.strerror}; choose another name") from exc
    if beginning and not text.encode().lower().startswith(beginning.lower()):
        raise UsageError(
            f"{path}: is there already and nothing that this would write; choose another name, or remove it"
        )


def write_text(path: Path, text: str, *, over: bool = False) -> None:
    """Write a file whole or not at all. UsageError where that fails.

    What is there already is replaced where it is a file of the same kind, or where ``over`` says that it was asked for.
    """
    if not over:
        check_replaces(path, text[:BEGINNING])
    temporary = path.with_name(f".{path.name}.part")
    try:
        temporary.write_text(text, encoding="utf-8", newline="\n")
        temporary.replace(path)
    except OSError as exc:
        raise UsageError(f"{path}: cannot be written: {exc.strerror}; choose a folder that can be written") from exc


def terminal_width() -> int:
    """Columns of the terminal, within what the texts are made for."""
    import shutil

    return min(200, max(80, shutil.get_terminal_size((100, 40)).columns))


def run_until_interrupted(main: Callable[[], Coroutine[Any, Any, T]]) -> T:
    """Run a coroutine; the first interrupt cancels it so that it can put things back, more of them change nothing."""

    async def guarded() -> T:
        task = asyncio.current_task()
        loop = asyncio.get_running_loop()

        def stop() -> None:
            if task is not None and not task.cancelling():
                task.cancel()

        try:
            loop.add_signal_handler(signal.SIGINT, stop)
            loop.add_signal_handler(signal.SIGTERM, stop)
        except NotImplementedError:  # Windows
            signal.signal(signal.SIGINT, lambda *_: loop.call_soon_threadsafe(stop) and None)
        return await main()

    with asyncio.Runner(loop_factory=loop_factory()) as runner:
        return runner.run(guarded())


def loop_factory() -> Callable[[], asyncio.AbstractEventLoop] | None:
    """A selector loop on select() where few descriptors are open: its timers are the finest.

    Lateness of a 10 ms timer, p99: 0.13 ms against 1.07 ms with epoll, which rounds to milliseconds.
    """
    import selectors

    if sys.platform == "win32":
        return None
    return lambda: asyncio.SelectorEventLoop(selectors.SelectSelector())
