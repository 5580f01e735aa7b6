"""``python -m sims.panel_hand HOST PORT``: raise, acknowledge and clear alarms at the simulated panel, by hand.

One line for each: the number of the action, and the name of an alarm or what tells it apart: ``1 bulk-a.water``.
Without a name it is the alarm of the line before; a silence and an acknowledge are for every alarm then.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable, Sequence
from typing import Final

from pymodbus.client import ModbusTcpClient

from sims.alarms import ALARMS, BY_NAME
from sims.controller import EVERY_ALARM, Action
from sims.points import Register

USAGE: Final = "1 raise   2 silence   3 acknowledge   4 clear   5 reset, and an alarm; q leaves"


def understood(line: str, before: str) -> tuple[Action, str]:
    """The action and the alarm of a line, '' for every alarm; ``before``: the alarm that was named last.

    ValueError, with what to do, for what cannot be understood.
    """
    number, _, word = line.strip().partition(" ")
    if number not in {str(int(it)) for it in Action}:
        raise ValueError(USAGE)
    action = Action(int(number))
    is_for_all = action in (Action.SILENCE, Action.ACKNOWLEDGE)
    name = _named(word.strip()) if word.strip() else "" if is_for_all else before
    if not name and not is_for_all:
        raise ValueError(f"which alarm? for example: {number} {ALARMS[0].name}")
    return action, name


def _named(word: str) -> str:
    if word in BY_NAME:
        return word
    fits = [it.name for it in ALARMS if word in it.name]
    if len(fits) == 1:
        return fits[0]
    raise ValueError(f"{word}: {'one of ' + ', '.join(fits) if fits else 'there is no such alarm'}")


def _say(text: str) -> None:
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


def main(argv: Sequence[str] | None = None, lines: Iterable[str] = sys.stdin) -> int:
    """The command: until the lines end, or ``q``."""
    parser = argparse.ArgumentParser(prog="python -m sims.panel_hand", description=__doc__)
    parser.add_argument("host")
    parser.add_argument("port", type=int)
    given = parser.parse_args(argv)
    client = ModbusTcpClient(given.host, port=given.port, retries=0)
    if not client.connect():  # type: ignore[no-untyped-call]
        sys.stderr.write(f"{given.host}:{given.port}: no panel answers; start the simulated site first\n")
        return 1
    _say(USAGE)
    before = ""
    try:
        for line in lines:
            if line.strip() == "q":
                break
            try:
                action, name = understood(line, before)
            except ValueError as exc:
                _say(str(exc))
                continue
            before = name or before
            code = BY_NAME[name].number + 1 if name else EVERY_ALARM
            answer = client.write_registers(Register.TEST_ALARM, [code, int(action)], device_id=1)
            refused = " REFUSED" if answer.isError() else ""
            _say(f"{action.name.lower()} {name or 'every alarm'}{refused}")
    finally:
        client.close()  # type: ignore[no-untyped-call]
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
