"""The kinds of value that a field may take: how each is read from text, and what JSON Schema says of it."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from enum import StrEnum
from typing import Any, Final

from harness.core.model import KEY_WITHIN_LEAST_NS
from harness.core.places import OnWhen
from harness.site.durations import DURATION_PATTERN, read_duration, read_range, read_span, write_duration
from harness.site.names import nearest, plain
from harness.site.problems import Mismatch

Schema = dict[str, Any]

TEXT_MAX: Final = 500
ANY_SCALAR: Final[Schema] = {"type": ["string", "number", "boolean"]}
"""Scalars are read as text, so an editor must not mind that ``00017`` or ``on`` looks like something else."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """``read`` turns text into a value or raises Mismatch; ``schema`` is what an editor needs to know."""

    read: Callable[[str], object]
    schema: Schema


def _text(text: str) -> str:
    if not text.strip():
        raise Mismatch("expected a text", "write it, or delete the line")
    if len(text) > TEXT_MAX:
        raise Mismatch(f"expected at most {TEXT_MAX} characters, found {len(text)}", "shorten it")
    if "\n" in text.strip():
        raise Mismatch("expected one line", "write it in one line")
    return text.strip()


TEXT: Final = Kind(read=_text, schema=ANY_SCALAR)

WORD_PATTERN: Final = r"^[A-Za-z0-9\u00c0-\uffff][A-Za-z0-9\u00c0-\uffff._\-]{0,39}$"


def _named(pattern: str, expected: str, remedy: str) -> Callable[[str], str]:
    compiled = re.compile(pattern)

    def read(text: str) -> str:
        if not compiled.fullmatch(text.strip()):
            raise Mismatch(expected, remedy, code="name")
        return text.strip()

    return read


ALARM_NAME: Final = Kind(
    read=_named(WORD_PATTERN.replace("39", "79"), "expected a name of letters, digits, . _ and -",
                "for example bulk-a.high; a longer wording belongs into text:"),
    schema={"type": ["string", "number"], "pattern": WORD_PATTERN.replace("39", "79")},
)  # fmt: skip
WORD: Final = Kind(
    read=_named(WORD_PATTERN, "expected a name of letters, digits, . _ and -", "for example bms"),
    schema={"type": ["string", "number"], "pattern": WORD_PATTERN},
)


def _duration(least_ns: int) -> Callable[[str], int]:
    def read(text: str) -> int:
        found = read_duration(text)
        if found < least_ns:
            least = "more than 0 s" if least_ns <= 1 else f"at least {write_duration(least_ns)}"
            raise Mismatch(f"expected {least}", "write a longer time", code="duration")
        return found

    return read


DURATION: Final = Kind(read=_duration(0), schema={"type": "string", "pattern": DURATION_PATTERN})
DURATION_OF_A_HAND: Final = Kind(
    read=_duration(KEY_WITHIN_LEAST_NS), schema={"type": "string", "pattern": DURATION_PATTERN}
)
DURATION_ABOVE_0: Final = Kind(read=_duration(1), schema={"type": "string", "pattern": DURATION_PATTERN})
POLL_PERIOD: Final = Kind(read=_duration(1_000_000), schema={"type": "string", "pattern": DURATION_PATTERN})
SPAN: Final = Kind(
    read=read_span,
    schema={"type": "string", "pattern": DURATION_PATTERN[:-1] + r"((\+/-|±)" + DURATION_PATTERN[1:-1] + ")?$"},
)
RANGE: Final = Kind(
    read=read_range,
    schema={"type": "string", "pattern": f"{DURATION_PATTERN[:-1]}( to {DURATION_PATTERN[1:-1]})?$"},
)


def whole(low: int, high: int) -> Kind:
    """A whole number from ``low`` to ``high``."""

    def read(text: str) -> int:
        if not re.fullmatch(r"[+-]?[0-9]{1,12}", text.strip()) or not low <= int(text) <= high:
            raise Mismatch(f"expected a whole number from {low} to {high}", code="number")
        return int(text)

    integer: Schema = {"type": "integer", "minimum": low, "maximum": high}
    return Kind(read=read, schema={"anyOf": [integer, {"type": "string", "pattern": r"^\s*[+-]?[0-9]{1,12}\s*$"}]})


def number(*, above: float | None = None, may_be_0: bool = True, least: float | None = None) -> Kind:
    """A decimal number, above ``above`` and at least ``least`` where these are given."""

    def read(text: str) -> float:
        try:
            found = Decimal(text.strip())
        except InvalidOperation:
            remedy = f"write {text.strip().replace(',', '.')}" if text.count(",") == 1 else ""
            raise Mismatch("expected a number", remedy, code="number") from None
        if not found.is_finite() or abs(found) > Decimal("1e30"):
            raise Mismatch("expected a number between -1e30 and 1e30", code="number")
        if above is not None and found <= Decimal(above):
            raise Mismatch(f"expected a number above {above:g}", code="number")
        if least is not None and found < Decimal(least):
            raise Mismatch(f"expected a number of at least {least:g}", code="number")
        if found == 0 and not may_be_0:
            raise Mismatch("expected a number other than 0", code="number")
        return float(found)

    plain_number: Schema = {"type": "number"} | ({} if above is None else {"exclusiveMinimum": above})
    return Kind(read=read, schema={"anyOf": [plain_number, {"type": "string", "pattern": r"^\s*[+-]?[0-9.]"}]})


def _number_range(text: str) -> tuple[float, float]:
    low, to, high = text.partition(" to ")
    least = float(str(number().read(low)))
    most = float(str(number().read(high))) if to else least
    if most < least:
        raise Mismatch("expected the lower number first", f"write {high.strip()} to {low.strip()}", code="number")
    return least, most


NUMBER_RANGE: Final = Kind(read=_number_range, schema=ANY_SCALAR)
"""A number, or two with ``to`` between them."""


def choice(words: Mapping[str, object]) -> Kind:
    """One of some words; case and ``-``/``_``/blank do not matter."""
    by_plain = {plain(word): value for word, value in words.items()}

    def read(text: str) -> object:
        if plain(text) not in by_plain:
            meant = nearest(text, words)
            remedy = f"did you mean {meant}?" if meant else ""
            raise Mismatch(f"expected {_listed(words)}", remedy, code="choice")
        return by_plain[plain(text)]

    return Kind(read=read, schema={"enum": list(words)})


def _listed(words: Mapping[str, object]) -> str:
    *others, last = words
    return f"{', '.join(others)} or {last}" if others else str(last)


def choice_of(enum: type[StrEnum], *, spaced: bool = False) -> Kind:
    """One of the words of an enum; ``spaced`` writes their hyphens as blanks."""
    return choice({(member.value.replace("-", " ") if spaced else member.value): member for member in enum})


YES_NO: Final = Kind(
    read=choice({"yes": True, "no": False, "true": True, "false": False}).read,
    schema={"enum": ["yes", "no", True, False]},
)


@dataclass(frozen=True, slots=True, kw_only=True)
class HostPort:
    """A host and a TCP port."""

    host: str
    port: int


def host_port(default_port: int | None, usual: str = "") -> Kind:
    """``host:port``, ``[::1]:port``; the port may be left out where there is a usual one.

    ``usual``: the usual port in words, where it takes more than a number to say it.
    """

    def read(text: str) -> HostPort:
        usually = usual or f"port {default_port}"
        expected = "expected host:port" if default_port is None else f"expected host or host:port ({usually})"
        found = re.fullmatch(
            r"(?:\[(?P<v6>[0-9A-Fa-f:.%]+)\]|(?P<name>[A-Za-z0-9._-]+))(?::(?P<port>.*))?", text.strip()
        )
        if found is None:
            raise Mismatch(expected, "for example 127.0.0.1:502; an IPv6 address stands in [ ]", code="host-port")
        if found["port"] is None and default_port is None:
            raise Mismatch(expected, f"write {text.strip()}:PORT", code="host-port")
        if found["port"] is not None and not (
            re.fullmatch(r"[0-9]{1,5}", found["port"]) and 1 <= int(found["port"]) <= 65535
        ):
            raise Mismatch(f"{expected}, with a port from 1 to 65535", code="host-port")
        port = int(found["port"]) if found["port"] is not None else default_port
        return HostPort(host=found["v6"] or found["name"], port=port or 0)

    return Kind(
        read=read, schema={"type": "string", "pattern": r"^\s*(\[[0-9A-Fa-f:.%]+\]|[A-Za-z0-9._-]+)(:[0-9]+)?\s*$"}
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class When:
    """When a value counts as on."""

    on_when: OnWhen
    threshold: float | None = None

    @property
    def is_failure(self) -> bool:
        """True for the failure ranges, which only a current loop has."""
        return self.on_when in (OnWhen.FAILURE_HIGH, OnWhen.FAILURE_LOW)

    @property
    def suffix(self) -> str:
        """What it adds to the name of a point; '' for ``set``."""
        if self.on_when is OnWhen.SET:
            return ""
        if self.is_failure:
            return f" {self.on_when.value.replace('-', ' ')}"
        sign = {OnWhen.CLEAR: "=0", OnWhen.EQUAL: "=", OnWhen.ABOVE: ">", OnWhen.BELOW: "<"}[self.on_when]
        return sign if self.threshold is None else f"{sign}{self.threshold:g}"


_WHEN: Final = re.compile(r"(?P<how>=|==|>|<|equals?(?: to)?|above|below)\s*(?P<number>[+-]?[0-9].*)", re.IGNORECASE)
_HOW: Final = {"=": OnWhen.EQUAL, "==": OnWhen.EQUAL, ">": OnWhen.ABOVE, "<": OnWhen.BELOW}


def _when(text: str) -> When:
    stripped = text.strip()
    if plain(stripped) in ("set", "clear", "failure high", "failure low"):
        return When(on_when=OnWhen(plain(stripped).replace(" ", "-")))
    found = _WHEN.fullmatch(stripped)
    if found is None:
        raise Mismatch("expected set, clear, equal N, above N or below N", "for example: above 0", code="on-when")
    how = found["how"].lower()
    on_when = _HOW.get(how) or OnWhen("equal" if how.startswith("equal") else how)
    threshold = number().read(found["number"])
    return When(on_when=on_when, threshold=float(str(threshold)))


ON_WHEN: Final = Kind(read=_when, schema=ANY_SCALAR)

ANY: Final = Kind(read=lambda text: text, schema=ANY_SCALAR)
"""Any text, kept as it is, empty or not: patterns and addresses, which are read once their link is known."""
