"""YAML as a tree of texts with the line of every value. Scalars stay what was typed: ``00017``, ``on``, ``16:00``.

Built from parser events, not by a constructor: no tag is honoured, no alias followed, no type guessed, and depth and
size are limited while reading, so that no file can exhaust memory or the stack.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import yaml

from harness.core.errors import Origin
from harness.site.names import shown
from harness.site.problems import SYNTAX, Problems

SITE_BYTES_MAX: Final = 1024 * 1024
"""Ten thousand alarms fit; reading more takes longer than a person waits for a message."""
NODES_MAX: Final = 200_000
DEPTH_MAX: Final = 16
"""The deepest sensible site file has 6 levels."""
_SYNTAX_ERRORS_MAX: Final = 12
_FAST: Final = getattr(yaml, "CBaseLoader", None)

_UNPRINTABLE: Final = re.compile("[^\t\n\r\x20-\x7e\xa0-\u2027\u202a-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


@dataclass(frozen=True, slots=True, kw_only=True)
class Scalar:
    """One value, as typed. ``is_quoted`` tells an empty text ('') from nothing at all."""

    text: str
    origin: Origin
    is_quoted: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Sequence:
    """A list of values."""

    items: tuple[Node, ...]
    origin: Origin


@dataclass(frozen=True, slots=True, kw_only=True)
class Mapping:
    """Names with values, in the order of the file; a name occurs once."""

    entries: tuple[tuple[Scalar, Node], ...]
    origin: Origin

    def get(self, name: str) -> Node | None:
        """The value under ``name``, or None."""
        return next((value for key, value in self.entries if key.text == name), None)


Node = Scalar | Sequence | Mapping


@dataclass(slots=True)
class _Open:
    """A list or mapping whose end has not been read yet."""

    origin: Origin
    is_mapping: bool
    nodes: list[Node]


def read_tree(data: bytes, file: str, problems: Problems) -> Node | None:
    """The tree of one YAML document, or None where nothing can be made of it. Problems say why."""
    text = _decoded(data, file, problems)
    if text is None:
        return None
    for _ in range(_SYNTAX_ERRORS_MAX):
        if _FAST is not None:
            with contextlib.suppress(yaml.YAMLError):  # the Python parser words its complaints in one way everywhere
                return _built(yaml.parse(text, Loader=_FAST), file, problems)
        try:
            return _built(yaml.parse(text, Loader=yaml.BaseLoader), file, problems)
        except yaml.MarkedYAMLError as exc:
            line = _explain(exc, file, text, problems)
            by = "" if (file, line) in problems.mended else _mended(text, line)
            problems.mended.add((file, line))
            problems.is_cut_short |= not by
            text = _replaced(text, line, by)
        except yaml.YAMLError as exc:
            problems.error(Origin(file=file, line=1), SYNTAX, f"file={file}: expected YAML: {shown(str(exc))}")
            break
    return None


def _decoded(data: bytes, file: str, problems: Problems) -> str | None:
    if len(data) > SITE_BYTES_MAX:
        size = f"size={len(data)} bytes: expected at most {SITE_BYTES_MAX}"
        problems.error(Origin(file=file, line=1), "size", size, "keep point lists in CSV or XLSX files")
        return None
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as exc:
        origin = Origin(file=file, line=data.count(b"\n", 0, exc.start) + 1)
        found = f"byte=0x{data[exc.start]:02x}: expected UTF-8 text"
        problems.error(origin, "encoding", found, "save the file as UTF-8")
        return None
    for found_at in _UNPRINTABLE.finditer(text):
        origin = Origin(file=file, line=text.count("\n", 0, found_at.start()) + 1)
        name = f"character=U+{ord(found_at[0]):04X}: expected printable text"
        problems.error(origin, "character", name, "delete it")
    return _UNPRINTABLE.sub("?", text)


_ENTRY: Final = re.compile(r"(?P<key>[ ]*(?:- )?[A-Za-z0-9][^:{}\[\]'\"#]*:)(?:[ ]+(?P<value>.*))?")
_ITEM: Final = re.compile(r"(?P<key>[ ]*-)[ ]+(?P<value>.*)")


def _mended(text: str, line: int) -> str:
    """A bad line made readable, so that those after it can be read: its value taken as plain text; '' if that fails.

    The line has been reported; whatever it is taken for here is never used.
    """
    lines = text.splitlines()
    bad = lines[line - 1] if line <= len(lines) else ""
    if bad[: len(bad) - len(bad.lstrip())].count("\t"):
        above = next((other for other in reversed(lines[: line - 1]) if other.strip()), "")
        indent = len(above) - len(above.lstrip()) + (2 if above.rstrip().endswith(":") else 0)
        return " " * indent + bad.lstrip()
    entry = _ENTRY.fullmatch(bad) or _ITEM.fullmatch(bad)
    if entry is None or not entry["value"]:
        return ""
    quoted = entry["value"].strip().replace("'", "''")
    return f"{entry['key']} '{quoted}'"


def _replaced(text: str, line: int, by: str) -> str:
    lines = text.splitlines()
    if line <= len(lines):
        lines[line - 1] = by
    return "\n".join(lines) + "\n"


def _built(events: Iterator[yaml.Event], file: str, problems: Problems) -> Node | None:
    """Read events into a tree. Own complaints are kept back until the whole text has proved to be YAML."""
    own = _Own(file=file, problems=[])
    open_nodes: list[_Open] = [_Open(origin=Origin(file=file, line=1), is_mapping=False, nodes=[])]
    count = 0
    for event in events:
        origin = own.at(event)
        if isinstance(event, yaml.MappingStartEvent | yaml.SequenceStartEvent):
            own.refuse_tag(event, origin)
            open_nodes.append(
                _Open(origin=origin, is_mapping=isinstance(event, yaml.MappingStartEvent), nodes=[]),
            )
            if len(open_nodes) > DEPTH_MAX:
                deep = f"depth={len(open_nodes)}: expected at most {DEPTH_MAX} levels"
                problems.error(origin, "depth", deep, "check the brackets and the indentation")
                return None
        elif isinstance(event, yaml.MappingEndEvent | yaml.SequenceEndEvent):
            closed = open_nodes.pop()
            open_nodes[-1].nodes.append(own.closed(closed))
        elif isinstance(event, yaml.ScalarEvent):
            own.refuse_tag(event, origin)
            quoted = bool(event.style)  # plain is None to the Python parser and '' to the C one
            open_nodes[-1].nodes.append(Scalar(text=event.value, origin=origin, is_quoted=quoted))
        elif isinstance(event, yaml.AliasEvent):
            open_nodes[-1].nodes.append(own.alias(event, origin))
        else:
            continue
        count += 1
        if count > NODES_MAX:
            problems.error(origin, "size", f"values={count}: expected at most {NODES_MAX}", "use a CSV point list")
            return None
    for origin, code, text, remedy in own.problems:
        problems.error(origin, code, text, remedy)
    documents = open_nodes[0].nodes
    if len(documents) > 1:
        second = documents[1].origin
        problems.error(second, "documents", "---: expected one document in the file", "delete the line ---")
    return documents[0] if documents else None


@dataclass(slots=True)
class _Own:
    """What is wrong although it is good YAML."""

    file: str
    problems: list[tuple[Origin, str, str, str]]

    def at(self, event: yaml.Event) -> Origin:
        mark = event.start_mark
        if mark is None:
            return Origin(file=self.file, line=1)
        return Origin(file=self.file, line=mark.line + 1, column=mark.column + 1)

    def refuse_tag(self, event: yaml.NodeEvent, origin: Origin) -> None:
        tag = getattr(event, "tag", None)
        if tag is not None:
            remedy = "delete the tag, or put a value that begins with ! in quotes"
            self.problems.append((origin, "tag", f"tag={shown(str(tag))}: expected no YAML tag", remedy))
        if event.anchor is not None:
            self.problems.append((origin, "anchor", f"&{shown(event.anchor)}: expected no YAML anchor", "delete it"))

    def alias(self, event: yaml.AliasEvent, origin: Origin) -> Scalar:
        written = f"*{event.anchor}"
        text = f"value={shown(written)}: a plain value must not begin with *"
        self.problems.append((origin, "alias", text, f"put it in quotes: '{shown(written)}'"))
        return Scalar(text=written, origin=origin, is_quoted=True)

    def closed(self, node: _Open) -> Node:
        if not node.is_mapping:
            return Sequence(items=tuple(node.nodes), origin=node.origin)
        entries: dict[str, tuple[Scalar, Node]] = {}
        for key, value in zip(node.nodes[::2], node.nodes[1::2], strict=True):
            if not isinstance(key, Scalar):
                self.problems.append((key.origin, "key", "name=[...]: expected a plain name before the colon", ""))
            elif key.text in entries:
                first = entries[key.text][0].origin.line
                text = f"{shown(key.text)}: this name is already used on line {first}"
                self.problems.append((key.origin, "duplicate", text, "keep one of the two"))
            else:
                entries[key.text] = (key, value)
        return Mapping(entries=tuple(entries.values()), origin=node.origin)


_REMEDIES: Final = (
    ("\\t", "tab", "indent with spaces, not with tabs"),
    ("'\t'", "tab", "indent with spaces, not with tabs"),
    ("mapping values are not allowed", "a second colon", "check the indentation, or put the value in single quotes"),
    ("could not find expected ':'", "no colon", "write name: value"),
    ("escape character", "a backslash in double quotes", "use single quotes: in them a backslash is a backslash"),
    ("alphabetic or numeric character", "a value that begins with * or &", "put it in quotes: '*'"),
    ("unexpected end of stream", "a quote that is never closed", "close the quote"),
    ("quoted scalar", "a quote that is never closed", "close the quote"),
    ("flow sequence", "a [ that is never closed", "close the bracket, or put a value that begins with [ in quotes"),
    ("flow mapping", "a { that is never closed", "close the bracket, or put a value that begins with { in quotes"),
    ("block end", "indentation that fits no line above", "line it up with the lines above"),
    ("cannot start any token", "a character that must not begin a value", "put the value in single quotes"),
)  # fmt: skip


def _open_quote(text: str, line: int) -> int | None:
    """The line whose quote was left open and found its end in ``line``, where something then did not fit."""
    with contextlib.suppress(yaml.YAMLError):
        for token in yaml.scan(text, Loader=yaml.BaseLoader):
            if not isinstance(token, yaml.ScalarToken) or token.plain:
                continue
            first, last = token.start_mark.line + 1, token.end_mark.line + 1
            if first < last == line:
                return int(first)
            if first > line:
                return None
    return None


def _explain(exc: yaml.MarkedYAMLError, file: str, text: str, problems: Problems) -> int:
    """Say what the parser stumbled over, in the words of a person who writes by hand; returns the line to blame."""
    said = f"{exc.context or ''} {exc.problem or ''}"
    mark = exc.problem_mark or exc.context_mark
    begins_earlier = ("could not find", "end of stream", "flow sequence", "flow mapping", "quoted scalar")
    if exc.context_mark is not None and any(word in said for word in begins_earlier):
        mark = exc.context_mark
    line = mark.line + 1 if mark is not None else 1
    lines = text.splitlines()
    line = min(line, max(len(lines), 1))
    opened = _open_quote(text, line)
    if opened is not None:
        line, said = opened, "quoted scalar"
    written = lines[line - 1].strip() if lines else ""
    otherwise = ("no YAML", "check the indentation, and put values with special characters in single quotes")
    what, remedy = next(((what, remedy) for word, what, remedy in _REMEDIES if word in said), otherwise)
    problems.error(Origin(file=file, line=line), SYNTAX, f"line={shown(written)}: {what}", remedy)
    return line
