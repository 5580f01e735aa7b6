"""Every field of a site file and of a point map, in one table. Reading and the JSON Schema are both made from it."""

from __future__ import annotations

from typing import Final

from harness.core.model import AlarmClass, Behaviour, Step
from harness.core.places import Arrival, EventState, ObjectPart, Order, Sign, ValueType
from harness.core.writing import ObjectProperty
from harness.site import kinds, protocol_kinds
from harness.site.addresses import TABLE_WORDS
from harness.site.history import ALARM_HISTORY
from harness.site.link_fields import HOLDS, LINK, PATTERN_NAMES, PATTERNS, TIME_DELAYS
from harness.site.tables import Either, Group, Named, Several
from harness.site.tables import a_field as _field

_LIMITS: Final = (
    _field("appears within", kinds.DURATION_ABOVE_0, "From the raise until it must show.", default="no limit"),
    _field("visible for", kinds.DURATION_ABOVE_0, "How long it must show at least.", default="no limit"),
    _field("gone within", kinds.DURATION_ABOVE_0, "From its release until it must be gone.", default="no limit"),
    _field("dwell", kinds.DURATION, "How long it holds on after its release.", default="0 s"),
    _field("search", kinds.DURATION_ABOVE_0, "Beyond it, a sighting no longer belongs to the raise.", default="30 s"),
    _field(
        "settle", kinds.DURATION_ABOVE_0, "How long after the last deadline a second onset still counts.", default="2 s"
    ),
    _field("shortest leak", kinds.DURATION_ABOVE_0, "For quiet: the shortest leak looked for.", default="1 s"),
)
LIMIT_NAMES: Final = tuple(field.name for field in _LIMITS)

WRITE: Final = Group(
    what="write",
    fields=(
        _field("link", kinds.WORD, "The link to write over.", required=True),
        _field("unit", kinds.whole(0, 255), "Unit identifier.", default="that of the link"),
        _field("coil", kinds.TEXT, "First coil to write, in the numbering of the link."),
        _field("holding register", kinds.TEXT, "First register to write, in the numbering of the link."),
        _field(
            "values",
            Several(of=kinds.TEXT),
            "What to write, one number each; the word code stands for the alarm's code.",
        ),
        _field(
            "object",
            protocol_kinds.OBJECT,
            "On a bacnet link: the object to write to, or whose event is acknowledged; code for the alarm's code.",
        ),
        _field("property", kinds.choice_of(ObjectProperty), "The property of the object to write."),
        _field("value", kinds.TEXT, "What to write there: active, inactive, yes, no, a number, code or relinquish."),
        _field("priority", protocol_kinds.PRIORITY, "The priority of a BACnet command, 1 to 16."),
    ),
)
_STEPS: Final = tuple(
    _field(step.value, Several(of=WRITE), f"The writes that {step.value} the alarm; without them a person does it.")
    for step in Step
)
STEP_NAMES: Final = tuple(step.value for step in Step)

_ORDER: Final = (
    _field(
        "acknowledge after",
        Several(of=kinds.choice({"raise": Step.RAISE, "clear": Step.CLEAR})),
        "raise: acknowledged while active; clear: once it has cleared; both: tested once each way.",
        default="raise, or clear where it lasts",
    ),
)
"""Of all alarms under stimulus, of one alarm in its own lines."""

_RAISING: Final = (
    _field("hold off", kinds.DURATION, "From arming until the first raise, to look and to stop.", default="3 s"),
    _field("raised at most", kinds.DURATION_ABOVE_0, "Dead-man limit: cleared after so long.", default="5 min"),
    _field("isolated by", kinds.TEXT, "How what it acts on is isolated while it is raised."),
    _field("by hand", kinds.TEXT, "What a person does, and where, to raise it: shown in a guided test."),
)
"""Of all alarms under stimulus, of one alarm in its own lines."""

_BY_HAND: Final = (
    _field(
        "key within",
        kinds.DURATION_OF_A_HAND,
        "By hand: how long after a step its key is pressed at the latest; at least 250 ms.",
        default="1 s",
    ),
)

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
        *_ORDER,
        *_RAISING,
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
_NUMBER: Final = (
    _field("unit", kinds.whole(0, 255), "Unit identifier.", default="that of the link"),
    _field("table", _TABLE, "Modbus table, where the number does not name it."),
    _field("type", kinds.choice_of(ValueType), "How registers become a number.", default="bit or u16"),
    _field("byte order", kinds.choice_of(Order), "Order of the bytes in a register.", default="big"),
    _field("word order", kinds.choice_of(Order), "Order of the registers in a number.", default="big"),
)
_SCALE: Final = (
    _field("scale", kinds.number(may_be_0=False), "The number is raw * scale + offset.", default="1"),
    _field("offset", kinds.number(), "See scale.", default="0"),
)
_ON_WHEN: Final = (
    _field("on when", kinds.ON_WHEN, "set, clear, equal N, above N, below N; of a loop also failure high or low.",
           default="set"),
)  # fmt: skip
_OBJECT: Final = (
    _field(
        "object",
        protocol_kinds.OBJECT,
        "BACnet object: binary-input 3, BI 3 or binary-input,3; {code} is the alarm's code.",
    ),
)
_ARRIVAL: Final = (
    _field("part", kinds.choice_of(ObjectPart), "What of the object tells the alarm.", default="present-value"),
    _field("event state", kinds.choice_of(EventState), "Of events: the state that counts as on.", default="any alarm"),
    _field("arrives by", kinds.choice_of(Arrival), "By which way it must arrive: poll, cov or event.", default="poll"),
)
_MESSAGE: Final = (
    _field("topic", kinds.TEXT, "MQTT topic; {name}, {text} and {code} are the alarm's."),
    _field("pointer", protocol_kinds.POINTER, "JSON pointer to the value in the payload, such as /active."),
    _field("pattern", kinds.TEXT, "Regular expression of the payload; its group (?P<value>...), or all of it."),
    _field("on values", Several(of=kinds.TEXT), "Values that are on; without off values, all others are off.",
           default="true, and numbers other than 0"),
    _field("off values", Several(of=kinds.TEXT), "Values that are off; without on values, all others are on."),
)  # fmt: skip
_SIGN: Final = (
    _field("sign", kinds.choice_of(Sign), "What a person sees or hears: lamp, horn or text."),
    _field("label", kinds.TEXT, "How the person finds it; for a text what it says.", default="for a text {text}"),
)
DRIVEN_TO: Final = (
    _field("driven to", kinds.number(), "Budget: to what the alarm drives a damped loop, in its units."),
)
_LOOP: Final = (_field("loop", kinds.WORD, "Name of a current loop under loops:, in place of link and address."),)

ROW: Final = Group(
    what="row",
    fields=(
        _field("alarm", kinds.TEXT, "An alarm, its text or tag, a pattern (bulk-a.*) or class:warning.", required=True),
        _field("link", kinds.WORD, "The link of the point; a loop names its own."),
        _field("address", kinds.TEXT, "40101, 40101.3, coil 17, or * for every mapped point of the link."),
        *_LOOP,
        *_OBJECT,
        *_ARRIVAL,
        *TIME_DELAYS,
        *DRIVEN_TO,
        *_MESSAGE,
        *_SIGN,
        _field("point", kinds.TEXT, "A name for the point.", default="link:address"),
        _field("behaviour", kinds.choice_of(Behaviour), "How the point acts.", required=True),
        *_NUMBER,
        *_ON_WHEN,
        *_SCALE,
        *PATTERNS,
        *_LIMITS,
        *HOLDS,
        _field("released by", kinds.choice({step.value: step for step in (Step.SILENCE, Step.ACKNOWLEDGE, Step.RESET)}),
               "What releases it: latched takes acknowledge or reset; until-acknowledged or follows take silence.",
               default="acknowledge"),
        _field("note", kinds.TEXT, "Not read by farend."),
    ),
)  # fmt: skip

_NUMBER_NAMES: Final = tuple(field.name for field in _NUMBER)
LOOP_OWN_NAMES: Final = ("link", "address", "object", *_NUMBER_NAMES)
"""What a loop says of its input, so that its rows do not."""
_MODBUS_ROW: Final = frozenset({"address", "on when", "loop", "driven to", "scale", "offset", *_NUMBER_NAMES})
PLACE_NAMES_OF: Final = {
    "modbus": _MODBUS_ROW,
    "text": frozenset({*PATTERN_NAMES, "printed time"}),
    "bacnet": frozenset(
        {
            *("object", "part", "event state", "arrives by", "on when", "loop", "driven to"),
            *(field.name for field in TIME_DELAYS),
        }
    ),
    "mqtt": frozenset({"topic", "pointer", "pattern", "on values", "off values", "on when"}),
    "person": frozenset({"sign", "label"}),
}
"""Family of a link -> the fields with which a row says where on it the point is."""
PLACE_NAMES: Final = tuple(field.name for field in ROW.fields if any(field.name in s for s in PLACE_NAMES_OF.values()))

LOOP: Final = Group(
    what="loop",
    fields=(
        _field("link", kinds.WORD, "The link over which its analog input is read.", required=True),
        _field("address", kinds.TEXT, "Register of the analog input, on a Modbus link."),
        *_OBJECT,
        *_NUMBER,
        _field("raw at 4 mA", kinds.number(), "What the input reads at 4 mA.", required=True),
        _field("raw at 20 mA", kinds.number(), "What the input reads at 20 mA.", required=True),
        _field("value at 4 mA", kinds.number(), "What 4 mA stands for.", default="0"),
        _field("value at 20 mA", kinds.number(), "What 20 mA stands for.", default="100"),
        _field("units", kinds.TEXT, "The units of these values.", default="%"),
        _field("input from", protocol_kinds.CURRENT, "The least current that the input can tell apart: 0 mA.",
               required=True),
        _field("input to", protocol_kinds.CURRENT, "The greatest; beyond it, it clips: 24 mA.", required=True),
        _field("resolution", protocol_kinds.CURRENT, "The smallest step of the input.", default="one count"),
        _field("accuracy", protocol_kinds.CURRENT, "How wrong the input may be besides.", default="0 mA"),
        _field("persistence", kinds.DURATION, "How long a failure current lasts before it counts.", default="4 s"),
        _field("damping", kinds.DURATION, "Budget: time constant of its first-order damping.",
               default="not declared, taken as 0 s"),
        _field("at rest", kinds.NUMBER_RANGE, "Budget: what it shows while nothing is raised, in its units: 40 to 60."),
    ),
)  # fmt: skip

POINTS_FILE: Final = Group(
    what="points",
    fields=(
        _field("file", kinds.TEXT, "CSV or XLSX file beside the site file."),
        _field("sheet", kinds.TEXT, "Name of the sheet.", default="the first"),
        _field("header row", kinds.whole(1, 100), "The row with the column names.", default="1"),
        _field("columns", Named(key=kinds.TEXT, of=kinds.TEXT, what="columns"), "Field: its column, or none."),
        _field("every row", Named(key=kinds.TEXT, of=kinds.TEXT, what="every row"), "The same in every row."),
        _field("skip rows without", Several(of=kinds.TEXT), "Rows without these are not read."),
        _field("rows", Several(of=ROW), "Rows written here, besides those of the file."),
    ),
)  # fmt: skip

WRITABLE: Final = Group(
    what="writable",
    fields=(
        _field("link", kinds.WORD, "The link.", required=True),
        _field("unit", kinds.whole(0, 255), "Unit identifier.", default="that of the link"),
        _field("coil", kinds.TEXT, "One coil, or a range: 00017-00020."),
        _field("holding register", kinds.TEXT, "One register, or a range: 40901-40902."),
        _field("object", protocol_kinds.OBJECT_SPAN, "A BACnet object, or some in a row: binary-value 1-24."),
        _field("property", kinds.choice_of(ObjectProperty), "The one property of it that may be written."),
        _field("priority", protocol_kinds.PRIORITY, "The one priority at which it may be written, 1 to 16."),
        _field("acknowledge", kinds.YES_NO, "yes: events of this bacnet link may be acknowledged.", default="no"),
        _field("read back", kinds.YES_NO, "no: the controller takes away what was written; say why.", default="yes"),
        _field("because", kinds.TEXT, "Why what was written cannot be read back."),
        _field("as left", kinds.choice({"as found": False, "may differ": True}),
               "may differ: need not be left as it was found, as a command that was obeyed.", default="as found"),
        _field("tolerance", kinds.number(least=0), "By how much an analog value may be left other than it was found: "
               "raw counts of a register, units of a property.", default="0"),
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
        _field("loops", Named(key=kinds.WORD, of=LOOP, what="loops"), "Current loops and the inputs that read them."),
        _field("defaults", Group(what="defaults", fields=(*_LIMITS, *HOLDS)), "Limits of rows that say nothing."),
        _field("side effects", Named(key=kinds.WORD, of=SIDE_EFFECT, what="side effects"), "What alarms really do."),
        _field("notices", Several(of=kinds.TEXT), "Whom to tell before a test: monitoring station, building operator."),
        _field("stimulus", Group(what="stimulus", fields=(*_STEPS, *_ORDER, *_RAISING, *_BY_HAND)),
               "Writes for every alarm that has a code."),
        _field("alarms", Named(key=kinds.ALARM_NAME, of=ALARM, what="alarms"), "What it can raise.", required=True),
        _field("writable", Several(of=WRITABLE), "All that a stimulus may ever write. Everything else is refused."),
        _field("alarm history", ALARM_HISTORY, "How the controller writes its own alarm history."),
        _field("points", Either(rows=Several(of=ROW), group=POINTS_FILE), "The point map.", required=True),
    ),
)  # fmt: skip
