"""Every field of a site file and of a point map, in one table. Reading and the JSON Schema are both made from it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from harness.core.links import LineEnd
from harness.core.model import AlarmClass, Behaviour, Step
from harness.core.places import Numbering, Order, ValueType
from harness.site import kinds
from harness.site.addresses import TABLE_WORDS
from harness.site.kinds import Kind


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """One field: its name as written, what it takes, whether it must be there, and what it means."""

    name: str
    takes: Takes
    help: str
    required: bool = False
    default: str = ""
    """What holds where it is absent, in words; for the schema's description only."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """A mapping of known fields. ``what`` names it in messages."""

    what: str
    fields: tuple[Field, ...]

    def names(self) -> tuple[str, ...]:
        """The names of its fields."""
        return tuple(field.name for field in self.fields)


@dataclass(frozen=True, slots=True, kw_only=True)
class Named:
    """A mapping from names of the user's own to groups (or to plain values)."""

    key: Kind
    of: Group | Kind
    what: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Several:
    """A list; a single value may stand without its brackets. ``none_word``: this word alone means an empty list."""

    of: Group | Kind
    none_word: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Either:
    """A list of groups, or one group of another kind."""

    rows: Several
    group: Group


Takes = Kind | Group | Named | Several | Either


def _field(name: str, takes: Takes, help_: str, *, required: bool = False, default: str = "") -> Field:
    return Field(name=name, takes=takes, help=help_, required=required, default=default)


_DELAY: Final = kinds.DURATION
_HOLDS: Final = (
    _field(
        "shortest on", kinds.DURATION_ABOVE_0, "The shortest time for which a point is ever on.", default="1 s, assumed"
    ),
    _field(
        "shortest off", kinds.DURATION_ABOVE_0, "The shortest time for which it is ever off.", default="1 s, assumed"
    ),
)
_LIMITS: Final = (
    _field("appears within", kinds.DURATION_ABOVE_0, "From the raise until it must show.", default="no limit"),
    _field("visible for", kinds.DURATION_ABOVE_0, "How long it must show at least.", default="no limit"),
    _field("gone within", kinds.DURATION_ABOVE_0, "From its release until it must be gone.", default="no limit"),
    _field("dwell", _DELAY, "How long it holds on after its release.", default="0 s"),
    _field("search", kinds.DURATION_ABOVE_0, "Beyond it, a sighting no longer belongs to the raise.", default="30 s"),
    _field(
        "settle", kinds.DURATION_ABOVE_0, "How long after the last deadline a second onset still counts.", default="2 s"
    ),
    _field("shortest leak", kinds.DURATION_ABOVE_0, "For quiet: the shortest leak looked for.", default="1 s"),
)
LIMIT_NAMES: Final = tuple(field.name for field in _LIMITS)
HOLD_NAMES: Final = tuple(field.name for field in _HOLDS)

PATTERN_NAMES: Final = ("raised", "acknowledged", "cleared")
_PATTERNS: Final = (
    _field(
        "raised", kinds.TEXT, "Regular expression of the whole line printed when raised; {text} is the alarm's text."
    ),
    _field("acknowledged", kinds.TEXT, "The same for the line printed when acknowledged."),
    _field("cleared", kinds.TEXT, "The same for the line printed when cleared."),
    _field("printed time", kinds.TEXT, "strptime format of the named group (?P<time>...)."),
)

_MODBUS_LINK: Final = (
    _field("modbus-tcp", kinds.host_port(502), "Host and port of a Modbus TCP device.", default="port 502"),
    _field("numbering", kinds.choice_of(Numbering), "How addresses are counted. Declared, never guessed."),
    _field("unit", kinds.whole(0, 255), "Unit identifier, unless a row says another.", default="1"),
    _field("bits from", kinds.choice({"0": 0, "1": 1}), "The number of the least significant bit.", default="0"),
    _field("poll every", kinds.POLL_PERIOD, "Poll period, on an absolute schedule."),
    _field("timeout", kinds.DURATION_ABOVE_0, "How long to wait for an answer.", default="1 s"),
    _field(
        "requests in flight", kinds.whole(1, 16), "Requests outstanding at once on the one connection.", default="1"
    ),
    _field("requests per second", kinds.number(above=0), "At most so many requests a second.", default="no limit"),
    _field("widest gap bits", kinds.whole(0, 2000), "Unneeded bits that one read may span.", default="64"),
    _field("widest gap registers", kinds.whole(0, 125), "Unneeded registers that one read may span.", default="16"),
)
_TEXT_LINK: Final = (
    _field("text+tcp", kinds.host_port(None), "Host and port of a serial device server that passes printed lines on."),
    _field("text+serial", kinds.TEXT, "Name of the serial port of a printed alarm log."),
    _field("baud", kinds.whole(50, 4_000_000), "Serial speed.", default="9600"),
    _field("data bits", kinds.whole(5, 8), "Serial data bits.", default="8"),
    _field("parity", kinds.choice({"none": "none", "even": "even", "odd": "odd"}), "Serial parity.", default="none"),
    _field("stop bits", kinds.whole(1, 2), "Serial stop bits.", default="1"),
    _field("encoding", kinds.TEXT, "Character encoding of the lines.", default="ascii"),
    _field("line end", kinds.choice_of(LineEnd), "What ends a line.", default="any"),
    _field(
        "longest line",
        kinds.whole(16, 65536),
        "Longest line in bytes; the rest is dropped and counted.",
        default="1024",
    ),
    _field("longest delay", kinds.DURATION_ABOVE_0, "A change is printed and has arrived within this time."),
    _field("promises every change", kinds.YES_NO, "Whether it prints every change while it is alive.", default="no"),
    *_PATTERNS,
)
SERIAL_NAMES: Final = ("baud", "data bits", "parity", "stop bits")
MODBUS_NAMES: Final = tuple(field.name for field in _MODBUS_LINK)
TEXT_NAMES: Final = tuple(field.name for field in _TEXT_LINK)
LINK_KINDS: Final = ("modbus-tcp", "text+tcp", "text+serial")

LINK: Final = Group(what="link", fields=(*_MODBUS_LINK, *_TEXT_LINK, *_HOLDS))

_CODE: Final = "code"
_VALUES: Final = Several(of=kinds.TEXT)
WRITE: Final = Group(
    what="write",
    fields=(
        _field("link", kinds.WORD, "The link to write over.", required=True),
        _field("unit", kinds.whole(0, 255), "Unit identifier.", default="that of the link"),
        _field("coil", kinds.TEXT, "First coil to write, in the numbering of the link."),
        _field("holding register", kinds.TEXT, "First register to write, in the numbering of the link."),
        _field(
            "values",
            _VALUES,
            "What to write, one number each; the word code stands for the alarm's code.",
            required=True,
        ),
    ),
)
_STEPS: Final = tuple(
    _field(step.value, Several(of=WRITE), f"The writes that {step.value} the alarm; without them a person does it.")
    for step in Step
)
STEP_NAMES: Final = tuple(step.value for step in Step)

ALARM: Final = Group(
    what="alarm",
    fields=(
        _field("class", kinds.choice_of(AlarmClass), "alarm, warning or fault.", default="alarm"),
        _field("priority", kinds.whole(0, 999), "Priority, as the controller counts it."),
        _field("text", kinds.TEXT, "The words that it is shown and printed with."),
        _field("tags", Several(of=kinds.TEXT), "Other names that a point list calls it by."),
        _field("code", kinds.whole(0, 65535), "The number that the stimulus writes for it."),
        _field(
            "side effects",
            Several(of=kinds.WORD, none_word="none"),
            "What it does in the real world; none is a statement.",
        ),
        _field("also raises", Several(of=kinds.ALARM_NAME), "Alarms that come with it and go with it."),
        _field("lasts", kinds.SPAN, "It clears by itself after this time: 1.5 s +/- 200 ms.", default="until cleared"),
        _field("reference", kinds.TEXT, "Point that says when it was really raised: a name, or link:address."),
        *_STEPS,
    ),
)

SIDE_EFFECT: Final = Group(
    what="side effect",
    fields=(
        _field("text", kinds.TEXT, "What happens.", required=True),
        _field("hazard", kinds.TEXT, "Why that matters.", required=True),
        _field("safeguard", kinds.TEXT, "What to do before raising it.", required=True),
    ),
)

EVERY_POINT: Final = ("*", "every point")
_TABLE: Final = kinds.choice(TABLE_WORDS)
ROW: Final = Group(
    what="row",
    fields=(
        _field("alarm", kinds.TEXT, "An alarm, its text or tag, a pattern (bulk-a.*) or class:warning.", required=True),
        _field("link", kinds.WORD, "The link of the point.", required=True),
        _field("address", kinds.TEXT, "40101, 40101.3, coil 17, or * for every mapped point of the link."),
        _field("point", kinds.TEXT, "A name for the point.", default="link:address"),
        _field("behaviour", kinds.choice_of(Behaviour), "How the point acts.", required=True),
        _field("unit", kinds.whole(0, 255), "Unit identifier.", default="that of the link"),
        _field("table", _TABLE, "Modbus table, where the number does not name it."),
        _field("type", kinds.choice_of(ValueType), "How registers become a number.", default="bit or u16"),
        _field("on when", kinds.ON_WHEN, "set, clear, equal N, above N or below N.", default="set"),
        _field("byte order", kinds.choice_of(Order), "Order of the bytes in a register.", default="big"),
        _field("word order", kinds.choice_of(Order), "Order of the registers in a number.", default="big"),
        _field("scale", kinds.number(may_be_0=False), "The number is raw * scale + offset.", default="1"),
        _field("offset", kinds.number(), "See scale.", default="0"),
        *_PATTERNS,
        *_LIMITS,
        *_HOLDS,
        _field("released by", kinds.choice({"acknowledge": Step.ACKNOWLEDGE, "reset": Step.RESET}),
               "For latched: what releases it once cleared.", default="acknowledge"),
        _field("note", kinds.TEXT, "Not read by farend."),
    ),
)  # fmt: skip
MODBUS_ROW_NAMES: Final = ("address", "unit", "table", "type", "on when", "byte order", "word order", "scale", "offset")
TEXT_ROW_NAMES: Final = (*PATTERN_NAMES, "printed time")

POINTS_FILE: Final = Group(
    what="points",
    fields=(
        _field("file", kinds.TEXT, "CSV or XLSX file beside the site file."),
        _field("sheet", kinds.TEXT, "Name of the sheet.", default="the first"),
        _field("header row", kinds.whole(1, 100), "The row with the column names.", default="1"),
        _field("columns", Named(key=kinds.TEXT, of=kinds.TEXT, what="columns"), "Field: the name of its column."),
        _field("every row", Named(key=kinds.TEXT, of=kinds.TEXT, what="every row"), "The same in every row."),
        _field("skip rows without", Several(of=kinds.TEXT), "Rows without these are not read."),
        _field("rows", Several(of=ROW), "Rows written here, besides those of the file."),
    ),
)  # fmt: skip

SITE: Final = Group(
    what="site file",
    fields=(
        _field("site", kinds.WORD, "A short name.", required=True),
        _field("title", kinds.TEXT, "Its name in reports.", default="the short name"),
        _field("controller", Group(what="controller", fields=(
            _field("name", kinds.TEXT, "What is tested.", required=True),
            _field("firmware", kinds.TEXT, "Its firmware, as typed here.", default="not stated"),
        )), "The controller under test.", required=True),
        _field("links", Named(key=kinds.WORD, of=LINK, what="links"), "The connections to listen on.", required=True),
        _field("defaults", Group(what="defaults", fields=(*_LIMITS, *_HOLDS)), "Limits of rows that say nothing."),
        _field("side effects", Named(key=kinds.WORD, of=SIDE_EFFECT, what="side effects"), "What alarms really do."),
        _field("stimulus", Group(what="stimulus", fields=_STEPS), "Writes for every alarm that has a code."),
        _field("alarms", Named(key=kinds.ALARM_NAME, of=ALARM, what="alarms"), "What it can raise.", required=True),
        _field("writable", Several(of=Group(what="writable", fields=(
            _field("link", kinds.WORD, "The link.", required=True),
            _field("unit", kinds.whole(0, 255), "Unit identifier.", default="that of the link"),
            _field("coil", kinds.TEXT, "One coil, or a range: 00017-00020."),
            _field("holding register", kinds.TEXT, "One register, or a range: 40901-40902."),
        ))), "All that a stimulus may ever write. Everything else is refused."),
        _field("points", Either(rows=Several(of=ROW), group=POINTS_FILE), "The point map.", required=True),
    ),
)  # fmt: skip
