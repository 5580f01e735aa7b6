"""Reads the tree of a site file by the table of fields; every value keeps the line that it came from."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import TypeVar

from harness.core.errors import Origin
from harness.site.kinds import Kind
from harness.site.names import did_you_mean, nearest, shown
from harness.site.problems import Mismatch, Problems
from harness.site.tables import Either, Field, Group, Named, PlainOr, Several, Takes
from harness.site.yaml_nodes import Mapping as MappingNode
from harness.site.yaml_nodes import Node, Scalar, Sequence

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class Value:
    """One value that was read: what it means, how it was written, and where."""

    means: object
    written: str
    origin: Origin


@dataclass(slots=True, kw_only=True)
class Form:
    """One group that was read. ``broken``: fields that are there and could not be read; they were reported."""

    what: str
    name: str
    origin: Origin
    values: dict[str, Value] = field(default_factory=dict)
    broken: set[str] = field(default_factory=set)

    def get(self, name: str, as_: type[T]) -> T | None:
        """The value of a field, or None where it is absent or broken."""
        value = self.values.get(name)
        if value is None:
            return None
        if not isinstance(value.means, as_):
            raise TypeError(f"{self.what}.{name}: read as {type(value.means).__name__}, asked for {as_.__name__}")
        return value.means

    def text(self, name: str) -> str:
        """The text of a field, or ''."""
        return self.get(name, str) or ""

    def at(self, name: str) -> Origin:
        """Where a field stands, or where its group begins."""
        value = self.values.get(name)
        return value.origin if value is not None else self.origin

    def written(self, name: str) -> str:
        """A field as it was typed, or ''."""
        value = self.values.get(name)
        return value.written if value is not None else ""

    def many(self, name: str) -> tuple[Value, ...]:
        """The items of a field that takes several."""
        return self.get(name, tuple) or ()

    def forms(self, name: str) -> Mapping[str, Form]:
        """The groups of a field that takes named groups."""
        return self.get(name, dict) or {}

    def has(self, name: str) -> bool:
        """True where the field was written, readable or not."""
        return name in self.values or name in self.broken


def read_group(group: Group, node: Node, problems: Problems, *, name: str = "", fields_of: str = "") -> Form | None:
    """Read a mapping by its group. Unknown names, unreadable values and missing fields all become problems.

    Returns None only where ``node`` is no mapping at all.
    """
    if not isinstance(node, MappingNode):
        found = f"{name or group.what}={_brief(node)}"
        problems.error(node.origin, "shape", f"{found}: expected lines of name: value", _fields_hint(group))
        return None
    entries = {key.text: (key.origin, value) for key, value in node.entries}
    return read_entries(group, entries, node.origin, problems, name=name or fields_of)


def read_entries(
    group: Group,
    entries: Mapping[str, tuple[Origin, Node]],
    origin: Origin,
    problems: Problems,
    *,
    name: str = "",
    unread: Iterable[str] = (),
) -> Form:
    """Read the fields of a group from named nodes (of a mapping, or of a row of a table).

    ``unread``: fields that are there and were reported already.
    """
    form = Form(what=group.what, name=name, origin=origin, broken=set(unread))
    known = {f.name: f for f in group.fields}
    for written, (key_origin, node) in entries.items():
        wanted = known.get(written)
        if wanted is None:
            if not problems.is_cut_short and not problems.is_full:
                free = [name for name in known if name not in entries]
                form.broken.add(nearest(written, free) or written)
                remedy = did_you_mean(written, free, otherwise=_fields_hint(group))
                problems.error(key_origin, "unknown-field", f"{shown(written)}: no field of a {group.what}", remedy)
            continue
        value = _read(wanted.takes, node, key_origin, written, problems)
        if value is None:
            form.broken.add(written)
        else:
            form.values[written] = value
    if not problems.is_cut_short:
        for wanted in group.fields:
            if wanted.required and not form.has(wanted.name):
                whose = f"{group.what} {form.name}".strip()
                text = f"{whose}: {wanted.name} is missing"
                problems.error(origin, "missing", text, _what_to_add(wanted))
    return form


def _what_to_add(wanted: Field) -> str:
    """What stands behind the name of a missing field."""
    return f"add {wanted.name}: {wanted.help[0].lower()}{wanted.help[1:].rstrip('.')}"


def _fields_hint(group: Group) -> str:
    return f"known: {', '.join(group.names())}"


def _brief(node: Node) -> str:
    if isinstance(node, Scalar):
        return shown(node.text)
    return "[...]" if isinstance(node, Sequence) else "{...}"


def _is_nothing(node: Node) -> bool:
    return isinstance(node, Scalar) and not node.text.strip() and not node.is_quoted


def _read(takes: Takes, node: Node, key: Origin, name: str, problems: Problems) -> Value | None:
    if _is_nothing(node):
        problems.error(key, "empty", f"{shown(name)}=: expected a value", "write one, or delete the line")
        return None
    if isinstance(takes, Kind):
        return read_scalar(takes, node, name, problems)
    if isinstance(takes, Group):
        form = read_group(takes, node, problems, name="")
        return None if form is None else Value(means=form, written="", origin=key)
    if isinstance(takes, Named):
        return _read_named(takes, node, key, problems)
    if isinstance(takes, Several):
        return _read_several(takes, node, key, name, problems)
    if isinstance(takes, PlainOr):
        return _read(takes.group if isinstance(node, MappingNode) else takes.plain, node, key, name, problems)
    return _read_either(takes, node, key, name, problems)


def read_scalar(kind: Kind, node: Node, name: str, problems: Problems) -> Value | None:
    """Read one plain value; a problem and None where it does not fit."""
    if not isinstance(node, Scalar):
        code_word = _braced_code(node)
        if code_word is None:
            remedy = "put a value that begins with [ or { in quotes"
            problems.error(node.origin, "shape", f"{shown(name)}={_brief(node)}: expected one value", remedy)
            return None
        node = code_word
    try:
        return Value(means=kind.read(node.text), written=node.text, origin=node.origin)
    except Mismatch as mismatch:
        problems.mismatch(node.origin, name, node.text, mismatch)
        return None


def _braced_code(node: Node) -> Scalar | None:
    """``{code}`` without quotes is a mapping to YAML; what was meant is plain."""
    if isinstance(node, MappingNode) and len(node.entries) == 1 and _is_nothing(node.entries[0][1]):
        key = node.entries[0][0]
        return Scalar(text=f"{{{key.text}}}", origin=key.origin, is_quoted=True)
    return None


def _read_named(takes: Named, node: Node, key: Origin, problems: Problems) -> Value | None:
    if not isinstance(node, MappingNode):
        found = f"{takes.what}={_brief(node)}"
        problems.error(node.origin, "shape", f"{found}: expected lines of name: value", "indent them below it")
        return None
    found_forms: dict[str, Form | Value | None] = {}
    for name_node, value_node in node.entries:
        try:
            name = str(takes.key.read(name_node.text))
        except Mismatch as mismatch:
            problems.mismatch(name_node.origin, "name", name_node.text, mismatch)
            name = name_node.text
        if isinstance(takes.of, Group):
            if _is_nothing(value_node):
                value_node = MappingNode(entries=(), origin=name_node.origin)  # noqa: PLW2901
            form = read_group(takes.of, value_node, problems, name=name)
            if form is None:  # reported; the name stays known, so that nothing else stumbles over it
                form = Form(what=takes.of.what, name=name, origin=name_node.origin, broken=set(takes.of.names()))
            form.origin = name_node.origin
            found_forms[name] = form
        else:
            found_forms[name] = read_scalar(takes.of, value_node, name, problems)
    readable = {name: form for name, form in found_forms.items() if form is not None}
    return Value(means=readable, written="", origin=key)


def _read_several(takes: Several, node: Node, key: Origin, name: str, problems: Problems) -> Value | None:
    nodes = node.items if isinstance(node, Sequence) else (node,)
    if takes.none_word and isinstance(node, Scalar) and node.text.strip() == takes.none_word:
        return Value(means=(), written=node.text, origin=key)
    if not isinstance(node, Sequence) and isinstance(node, Scalar) and isinstance(takes.of, Kind) and "," in node.text:
        nodes = tuple(Scalar(text=part.strip(), origin=node.origin) for part in node.text.split(","))
    values = tuple(_read_each(takes.of, nodes, name, problems))
    return Value(means=values, written=node.text if isinstance(node, Scalar) else "", origin=key)


def _read_each(of: Group | Kind, nodes: Iterable[Node], name: str, problems: Problems) -> Iterable[Value]:
    for node in nodes:
        if isinstance(of, Kind):
            value = read_scalar(of, node, name, problems)
            if value is not None:
                yield value
            continue
        form = read_group(of, node, problems)
        if form is not None:
            yield Value(means=form, written="", origin=node.origin)


def _read_either(takes: Either, node: Node, key: Origin, name: str, problems: Problems) -> Value | None:
    if isinstance(node, MappingNode):
        form = read_group(takes.group, node, problems)
        return None if form is None else Value(means=form, written="", origin=key)
    if isinstance(node, Scalar):
        file_node = MappingNode(entries=((Scalar(text="file", origin=node.origin), node),), origin=node.origin)
        return _read_either(takes, file_node, key, name, problems)
    return _read_several(takes.rows, node, key, name, problems)
