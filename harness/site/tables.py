"""What a table of fields is made of: fields, groups of them, and what a field may take."""

from __future__ import annotations

from dataclasses import dataclass

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


@dataclass(frozen=True, slots=True, kw_only=True)
class PlainOr:
    """One plain value, or a group in its place."""

    plain: Kind
    group: Group


Takes = Kind | Group | Named | Several | Either | PlainOr


def a_field(name: str, takes: Takes, help_: str, *, required: bool = False, default: str = "") -> Field:
    """One line of a table of fields."""
    return Field(name=name, takes=takes, help=help_, required=required, default=default)
