"""``python -m sims.annunciator_view HOST PORT``: the face of the simulated annunciator in a terminal, for a person.

Its lamp, horn and display as big as they go into ten lines, and its three buttons as keys. What is lit or sounding is
told by shape and by word, never by colour.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Final

KEYS: Final = {"s": "silence", "a": "acknowledge", "r": "reset"}
"""Which key presses which button."""

LEAVE: Final = "q"
BOX: Final = 24
"""Columns of a lamp or horn between its edges."""

WIDE: Final = 2 * BOX + 5
CONNECT_S: Final = 5.0
"""How long to wait for the annunciator: on one computer it answers at once or never."""

_ENTER, _LEAVE, _HOME, _BELOW = "\x1b[?1049h\x1b[?25l", "\x1b[?25h\x1b[?1049l", "\x1b[H", "\x1b[J"


@dataclass(frozen=True, slots=True, kw_only=True)
class Face:
    """What is seen and heard. ``shows``: the text on the display, '' where there is none."""

    lamp: bool = False
    horn: bool = False
    shows: str = ""

    def told(self, line: str) -> Face:
        """The face after one line of the annunciator; what is no such line changes nothing."""
        what, _, value = line.strip().partition(" ")
        match what:
            case "LAMP":
                return replace(self, lamp=value == "ON")
            case "HORN":
                return replace(self, horn=value == "ON")
            case "SHOWS":
                return replace(self, shows="" if value == "-" else value)
            case _:
                return self


def picture(face: Face, pressed: str = "") -> list[str]:
    """The face in lines of at most 80 columns. ``pressed``: the button that was pressed last."""
    lamp, horn = ("#" if face.lamp else " ") * BOX, (")" if face.horn else " ") * BOX
    edge = f"+{'-' * BOX}+"
    words = "LAMP LIT" if face.lamp else "lamp dark", "HORN SOUNDING" if face.horn else "horn silent"
    last = f"   (pressed: {pressed})" if pressed else ""
    return [
        f" {edge}   {edge}",
        f" |{lamp}|   |{horn}|",
        f" |{_on(lamp, words[0])}|   |{_on(horn, words[1])}|",
        f" |{lamp}|   |{horn}|",
        f" {edge}   {edge}",
        f" +{'-' * WIDE}+",
        f" |{(face.shows or '(display empty)')[:WIDE].center(WIDE)}|",
        f" +{'-' * WIDE}+",
        f" {'   '.join(f'{key} {button}' for key, button in KEYS.items())}   {LEAVE} leave{last}",
    ]


def _on(ground: str, words: str) -> str:
    """Words in the middle of a line of a lamp or horn, with a space on either side."""
    text = f"  {words}  "
    before = (len(ground) - len(text)) // 2
    return ground[:before] + text + ground[before + len(text) :]


@contextmanager
def _screen(keyboard: int) -> Iterator[None]:
    """The terminal as a screen without echo, and as it was afterwards."""
    import termios

    before = termios.tcgetattr(keyboard)
    mode = termios.tcgetattr(keyboard)
    mode[3] &= ~(termios.ECHO | termios.ICANON)
    mode[6][termios.VMIN], mode[6][termios.VTIME] = 1, 0
    termios.tcsetattr(keyboard, termios.TCSAFLUSH, mode)
    sys.stdout.write(_ENTER)
    try:
        yield
    finally:
        sys.stdout.write(_LEAVE)
        sys.stdout.flush()
        termios.tcsetattr(keyboard, termios.TCSADRAIN, before)


def _draw(face: Face, pressed: str) -> None:
    sys.stdout.write(_HOME + "".join(f"{line}\x1b[K\r\n" for line in picture(face, pressed)) + _BELOW)
    sys.stdout.flush()


async def view(host: str, port: int, keyboard: int) -> str:
    """Show the face and press its buttons until ``q``. Returns '' or why it ended by itself.

    OSError where nothing listens there.
    """
    async with asyncio.timeout(CONNECT_S):
        reader, writer = await asyncio.open_connection(host, port)
    face, pressed = Face(), ""
    left = asyncio.Event()

    def typed() -> None:
        nonlocal pressed
        keys = os.read(keyboard, 64).decode("ascii", "ignore")
        if not keys or LEAVE in keys:
            left.set()
        for button in (KEYS[key] for key in keys if key in KEYS):
            writer.write(f"{button}\r\n".encode("ascii"))
            pressed = button
        _draw(face, pressed)

    async def look() -> None:
        nonlocal face
        while line := await reader.readline():
            face = face.told(line.decode("ascii", "replace"))
            _draw(face, pressed)

    loop = asyncio.get_running_loop()
    looking, leaving = loop.create_task(look(), name="look"), loop.create_task(left.wait(), name="leave")
    with _screen(keyboard):
        loop.add_reader(keyboard, typed)
        try:
            await asyncio.wait([looking, leaving], return_when=asyncio.FIRST_COMPLETED)
        finally:
            loop.remove_reader(keyboard)
            looking.cancel()
            leaving.cancel()
            writer.close()
    return "" if left.is_set() else "the annunciator closed the connection"


def main(arguments: Sequence[str] | None = None) -> int:
    """The command; returns its exit code."""
    parser = argparse.ArgumentParser(
        prog="python -m sims.annunciator_view", description="Show the simulated annunciator, and press its buttons."
    )
    parser.add_argument("host")
    parser.add_argument("port", type=int)
    options = parser.parse_args(arguments)
    if sys.platform == "win32" or not (sys.stdin.isatty() and sys.stdout.isatty()):
        parser.error("it needs a terminal of Linux or macOS; its lines can be read over TCP without one")
    try:
        why = asyncio.run(view(options.host, options.port, sys.stdin.fileno()))
    except KeyboardInterrupt:
        return 0
    except (OSError, OverflowError) as exc:
        parser.error(f"{options.host} port {options.port}: no annunciator answers: {exc}")
    if why:
        sys.stderr.write(f"{why}\n")
    return 1 if why else 0


if __name__ == "__main__":
    sys.exit(main())
