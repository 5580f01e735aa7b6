"""Renames files: what of a site has another name since an update. Nothing is ever renamed by guessing.

::

    site:
      old-name: new-name
    alarms:
      tank.hi: tank.high
    points:
      bms:10003: bms:10004
    links:
      bms: building
"""

from __future__ import annotations

import re
from collections.abc import Mapping as MappingType
from dataclasses import dataclass, field, replace
from typing import Final

from harness.core.errors import Origin
from harness.core.model import Site
from harness.site.names import did_you_mean, shown
from harness.site.problems import Problems
from harness.site.yaml_nodes import Mapping, Node, Scalar, read_tree

_PARTS: Final = re.compile("([/ ,;>#]+)")
"""What stands between the parts of a point's name; an alarm's own name has none of these."""
SECTIONS: Final = ("site", "alarms", "points", "links")


@dataclass(frozen=True, slots=True, kw_only=True)
class Renames:
    """Old names and the new ones, by what they are names of. A name that is not there stayed as it was."""

    site: MappingType[str, str] = field(default_factory=dict)
    alarms: MappingType[str, str] = field(default_factory=dict)
    points: MappingType[str, str] = field(default_factory=dict)
    links: MappingType[str, str] = field(default_factory=dict)

    def alarm(self, old: str) -> str:
        """The new name of an alarm."""
        return self.alarms.get(old, old)

    def point(self, old: str) -> str:
        """The new name of a point; one that is named after its link goes with that."""
        if old in self.points:
            return self.points[old]
        link, colon, rest = old.partition(":")
        return f"{self.links[link]}:{rest}" if colon and link in self.links else old

    def link(self, old: str) -> str:
        """The new name of a link."""
        return self.links.get(old, old)

    def key(self, old: str) -> str:
        """The new key of an expectation, ``alarm@point``."""
        alarm, _, point = old.partition("@")
        return f"{self.alarm(alarm)}@{self.point(point)}"


def parse_renames(data: bytes, file: str, before: Site, after: Site) -> Renames:
    """The renames in a file. Raises SiteError with everything that is wrong: each old name is one of ``before`` and no
    longer of ``after``, each new one is of ``after`` and taken once.
    """
    problems = Problems()
    tree = read_tree(data, file, problems)
    found: dict[str, dict[str, str]] = {name: {} for name in SECTIONS}
    known = {
        "site": ((before.name,), (after.name,)),
        "alarms": (tuple(before.alarms), tuple(after.alarms)),
        "points": (tuple(before.points), tuple(after.points)),
        "links": (tuple(before.links), tuple(after.links)),
    }
    if not isinstance(tree, Mapping):
        text = f"file={file}: expected 'alarms', 'points' or 'links', each with lines 'old name: new name'"
        problems.error(Origin(file=file, line=1), "renames", text)
    else:
        for key, node in tree.entries:
            if key.text not in SECTIONS:
                hint = did_you_mean(key.text, SECTIONS)
                expected = f"{shown(key.text)}: expected site, alarms, points or links"
                problems.error(key.origin, "field", expected, hint)
            else:
                found[key.text] = _section(key.text, node, *known[key.text], problems)
    problems.raise_if_any([file])
    return following(Renames(**found), before, after)


def following(renames: Renames, before: Site, after: Site) -> Renames:
    """The same with the points that are named after an alarm, and so have another name where it has.

    Only where AFTER has a point of that name, and none of the old one, and nobody said otherwise.
    """
    points = dict(renames.points)
    for old in before.points:
        new = _after_its_alarm(renames.point(old), renames.alarms)
        is_free = new not in points.values() and new not in before.points
        if old not in renames.points and renames.point(old) not in after.points and new in after.points and is_free:
            points[old] = new
    return replace(renames, points=points)


def _after_its_alarm(point: str, alarms: MappingType[str, str]) -> str:
    """A point's name with the renamed alarm that it is named after: a whole part of it, as between two slashes."""
    link, colon, rest = point.partition(":")
    parts = _PARTS.split(rest if colon else point)
    renamed = "".join(alarms.get(it, it) for it in parts)
    return f"{link}:{renamed}" if colon else renamed


def _section(name: str, node: Node, olds: tuple[str, ...], news: tuple[str, ...], problems: Problems) -> dict[str, str]:
    if isinstance(node, Scalar) and not node.text and not node.is_quoted:
        return {}
    if not isinstance(node, Mapping):
        problems.error(node.origin, "renames", f"{name}: expected a line 'old name: new name' for each")
        return {}
    one = name.removesuffix("s") if name != "site" else "site"
    found: dict[str, str] = {}
    for key, value in node.entries:
        old, new = key.text, value.text if isinstance(value, Scalar) else ""
        if not new:
            problems.error(value.origin, "rename", f"{shown(old)}: expected the new name of this {one}")
        elif old not in olds:
            text = f"{one}={shown(old)}: BEFORE has no such {one}"
            problems.error(key.origin, "old-name", text, did_you_mean(old, olds))
        elif new not in news:
            text = f"{one}={shown(new)}: AFTER has no such {one}"
            problems.error(value.origin, "new-name", text, did_you_mean(new, news))
        elif old in news and old != new:
            text = f"{one}={shown(old)}: AFTER still has it, so it was not renamed"
            problems.error(key.origin, "still-there", text, "delete this line, or name what it was split from")
        elif new in found.values():
            first = next(it for it, taken in found.items() if taken == new)
            text = f"{one}={shown(new)}: it is already the new name of {shown(first)}"
            problems.error(value.origin, "twice", text, "keep one of the two")
        else:
            found[old] = new
    return found
