"""Reviews files: what a person decided about each side effect, for runs that nobody attends."""

from __future__ import annotations

import re
from collections.abc import Mapping as MappingType
from dataclasses import dataclass, field
from datetime import date, tzinfo
from typing import Any, Final

from harness.core.errors import Origin
from harness.core.model import Decision
from harness.site.binding import Binding
from harness.site.moments import read_day, read_moment
from harness.site.names import did_you_mean, shown
from harness.site.problems import Mismatch, Problems
from harness.site.yaml_nodes import Mapping, Node, Scalar, read_tree

DECISIONS: Final = ("accepted", "isolated", "excluded")
FIELDS: Final = ("reviewed by", "reviewed at", "expires", "bound to", "side effects", "standing", "bound parts")
DETAIL_FIELDS: Final = ("decision", "isolated", "by", "at", "note")
PART_FIELDS: Final = ("side effects", "alarms", "links")

_WHOLE: Final = re.compile(r"[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}")
_GROUPS: Final = re.compile(r"[0-9a-f]{4}(-[0-9a-f]{4})*")


@dataclass(frozen=True, slots=True, kw_only=True)
class Detail:
    """What belongs to one decision. ``by`` and ``at_utc_ns``: '' and None where they are those of the whole review.

    ``isolated``: what was isolated, and how.
    """

    by: str = ""
    at_utc_ns: int | None = None
    isolated: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reviews:
    """Decisions about side effects, and who made them, when.

    ``file``: where they were read from; '' where they were just made, of this very site. ``expires``: they are valid
    through the end of that day in local time. ``standing``: alarms or points that are known to be on, with the reason.
    """

    by: str
    decisions: MappingType[str, Decision] = field(default_factory=dict)
    details: MappingType[str, Detail] = field(default_factory=dict)
    file: str = ""
    at_utc_ns: int | None = None
    expires: date | None = None
    binding: Binding | None = None
    standing: MappingType[str, str] = field(default_factory=dict)

    def detail(self, side_effect: str) -> Detail:
        """Of one decision, with name and time filled in from the whole review."""
        own = self.details.get(side_effect, Detail())
        at = self.at_utc_ns if own.at_utc_ns is None else own.at_utc_ns
        return Detail(by=own.by or self.by, at_utc_ns=at, isolated=own.isolated, note=own.note)

    def to_data(self) -> dict[str, Any]:
        """As the journal keeps it."""
        details = {name: self.detail(name) for name in self.decisions}
        return {
            "by": self.by,
            "at_utc_ns": self.at_utc_ns,
            "file": self.file,
            "expires": None if self.expires is None else self.expires.isoformat(),
            "bound_to": "" if self.binding is None else self.binding.whole,
            "decisions": {name: decision.value for name, decision in self.decisions.items()},
            "details": {
                name: {"by": it.by, "at_utc_ns": it.at_utc_ns, "isolated": it.isolated, "note": it.note}
                for name, it in details.items()
            },
            "standing": dict(self.standing),
        }


def parse_reviews(data: bytes, file: str, zone: tzinfo | None = None) -> Reviews:
    """The reviews in a file. Raises SiteError with everything that is wrong.

    ``reviewed by: NAME``, ``reviewed at``, ``expires``, ``bound to``, and ``side effects:`` with ``NAME: accepted``,
    ``isolated`` or ``excluded``, or a group with ``decision``, ``isolated`` (what, and how), ``by``, ``at``, ``note``.
    Times without an offset are those of ``zone``, else of this computer.
    """
    problems = Problems()
    tree = read_tree(data, file, problems)
    reading = _Reading(problems=problems, zone=zone)
    if not isinstance(tree, Mapping):
        start = Origin(file=file, line=1)
        text = f"file={file}: expected 'reviewed by' and 'side effects'"
        problems.error(start, "reviews", text, "'farend review' writes such a file")
    else:
        reading.whole(tree)
    problems.raise_if_any([file])
    return Reviews(
        by=reading.by,
        decisions=reading.decisions,
        details=reading.details,
        file=file,
        at_utc_ns=reading.at_utc_ns,
        expires=reading.expires,
        binding=None if not reading.bound_to else Binding(whole=reading.bound_to, **reading.parts),
        standing=reading.standing,
    )


@dataclass(slots=True, kw_only=True)
class _Reading:
    """A file that is being read; what does not fit becomes a problem."""

    problems: Problems
    zone: tzinfo | None
    by: str = ""
    at_utc_ns: int | None = None
    expires: date | None = None
    bound_to: str = ""
    decisions: dict[str, Decision] = field(default_factory=dict)
    details: dict[str, Detail] = field(default_factory=dict)
    standing: dict[str, str] = field(default_factory=dict)
    parts: dict[str, dict[str, str]] = field(default_factory=dict)

    def whole(self, tree: Mapping) -> None:
        for key, value in tree.entries:
            if key.text not in FIELDS:
                hint = did_you_mean(key.text, FIELDS)
                self.problems.error(key.origin, "field", f"{shown(key.text)}: expected {_either(FIELDS)}", hint)
            elif not isinstance(value, Scalar if key.text in FIELDS[:4] else Mapping):
                empty = isinstance(value, Scalar) and not value.text and not value.is_quoted
                if not (empty and key.text in FIELDS[4:]):
                    self.problems.error(value.origin, "field", f"{key.text}: expected {_expected(key.text)}", "")
            elif isinstance(value, Scalar):
                self._line(key.text, value)
            elif isinstance(value, Mapping):
                self._group(key.text, value)
        if not self.by:
            text = "reviewed by: expected the name of the person who answers for the decisions"
            self.problems.error(tree.origin, "reviewed-by", text, "add 'reviewed by: NAME'")

    def _line(self, name: str, value: Scalar) -> None:
        if name == "reviewed by":
            self.by = value.text.strip()
        elif name == "bound to":
            self.bound_to = self._fitting(name, value, _WHOLE, "expected 12 hexadecimal digits such as 3f2a-91c0-77de")
        else:
            try:
                if name == "expires":
                    self.expires = read_day(value.text)
                else:
                    self.at_utc_ns = read_moment(value.text, self.zone)
            except Mismatch as mismatch:
                self.problems.mismatch(value.origin, name, value.text, mismatch)

    def _group(self, name: str, value: Mapping) -> None:
        if name == "side effects":
            for key, node in value.entries:
                self._decision(key.text, node)
        elif name == "standing":
            self.standing = {key.text: self._text(key.text, node) for key, node in value.entries}
        else:
            for key, node in value.entries:
                if key.text in PART_FIELDS and isinstance(node, Mapping):
                    told = "expected groups of 4 hexadecimal digits"
                    self.parts[key.text.replace(" ", "_")] = {
                        of.text: self._fitting(of.text, it, _GROUPS, told) for of, it in node.entries
                    }
                elif not (key.text in PART_FIELDS and isinstance(node, Scalar) and not node.text):
                    text = f"{shown(key.text)}: expected {_either(PART_FIELDS)} with a line for each name"
                    self.problems.error(key.origin, "parts", text, "make the file again with 'farend review'")

    def _decision(self, name: str, node: Node) -> None:
        if isinstance(node, Mapping):
            self._detailed(name, node)
            return
        word = node.text if isinstance(node, Scalar) else ""
        if word in DECISIONS:
            self.decisions[name] = Decision(word)
        else:
            text = f"{shown(name)}={shown(word)}: expected {', '.join(DECISIONS)}"
            self.problems.error(node.origin, "decision", text, did_you_mean(word, DECISIONS))

    def _detailed(self, name: str, node: Mapping) -> None:
        """A decision with who made it, when, and what was isolated; ``isolated`` alone says the decision too."""
        told: dict[str, str] = {}
        at: int | None = None
        for key, value in node.entries:
            if key.text not in DETAIL_FIELDS:
                text = f"{shown(key.text)}: expected {_either(DETAIL_FIELDS)}"
                self.problems.error(key.origin, "field", text, did_you_mean(key.text, DETAIL_FIELDS))
            elif key.text == "at" and isinstance(value, Scalar):
                try:
                    at = read_moment(value.text, self.zone)
                except Mismatch as mismatch:
                    self.problems.mismatch(value.origin, f"{name}.at", value.text, mismatch)
            else:
                told[key.text] = self._text(key.text, value)
        word = told.get("decision", "isolated" if "isolated" in told else "")
        if word not in DECISIONS or ("isolated" in told and word != "isolated"):
            expected = "isolated, since it says what was isolated" if word in DECISIONS else ", ".join(DECISIONS)
            text = f"{shown(name)}.decision={shown(word)}: expected {expected}"
            self.problems.error(node.origin, "decision", text, did_you_mean(word, DECISIONS))
            return
        self.decisions[name] = Decision(word)
        isolated, note = told.get("isolated", ""), told.get("note", "")
        self.details[name] = Detail(by=told.get("by", ""), at_utc_ns=at, isolated=isolated, note=note)

    def _text(self, name: str, node: Node) -> str:
        text = " ".join(node.text.split()) if isinstance(node, Scalar) else ""
        if not text:
            self.problems.error(node.origin, "text", f"{shown(name)}: expected a text", "say it in a few words")
        return text

    def _fitting(self, name: str, node: Node, form: re.Pattern[str], expected: str) -> str:
        text = node.text.strip() if isinstance(node, Scalar) else ""
        if form.fullmatch(text):
            return text
        remedy = "make the file again with 'farend review'"
        self.problems.error(node.origin, "binding", f"{shown(name)}={shown(text)}: {expected}", remedy)
        return ""


def _either(names: tuple[str, ...]) -> str:
    return f"{', '.join(names[:-1])} or {names[-1]}"


def _expected(name: str) -> str:
    if name in FIELDS[:4]:
        return "one name" if name == "reviewed by" else "one value"
    return {
        "side effects": "a side effect and its decision on each line",
        "standing": "an alarm or a point and the reason on each line",
    }.get(name, "what 'farend review' wrote")
