"""Reviews files: what a person decided about each side effect, for runs that nobody attends."""

from __future__ import annotations

from collections.abc import Mapping as MappingType
from typing import Final

from harness.core.errors import Origin
from harness.site.names import did_you_mean, shown
from harness.site.problems import Problems
from harness.site.yaml_nodes import Mapping, Scalar, read_tree

DECISIONS: Final = ("accepted", "isolated", "excluded")
_FIELDS: Final = ("reviewed by", "side effects")


def parse_reviews(data: bytes, file: str) -> tuple[str, MappingType[str, str]]:
    """Who reviewed, and the decision for each side effect. Raises SiteError with everything that is wrong.

    ``reviewed by: NAME``, and ``side effects:`` with ``NAME: accepted``, ``isolated`` or ``excluded``.
    """
    problems = Problems()
    tree = read_tree(data, file, problems)
    start = Origin(file=file, line=1)
    by, decisions = "", {}
    if not isinstance(tree, Mapping):
        problems.error(start, "reviews", f"file={file}: expected 'reviewed by' and 'side effects'", "see the template")
    else:
        for key, value in tree.entries:
            if key.text not in _FIELDS:
                hint = did_you_mean(key.text, _FIELDS)
                problems.error(key.origin, "field", f"{shown(key.text)}: expected {' or '.join(_FIELDS)}", hint)
            elif key.text == "reviewed by" and isinstance(value, Scalar):
                by = value.text.strip()
            elif key.text == "side effects" and isinstance(value, Mapping):
                decisions = _decisions(value, problems)
            else:
                problems.error(value.origin, "field", f"{key.text}: expected {_expected(key.text)}", "")
        if not by:
            text = "reviewed by: expected the name of the person who answers for the decisions"
            problems.error(tree.origin, "reviewed-by", text, "add 'reviewed by: NAME'")
    problems.raise_if_any([file])
    return by, decisions


def _expected(name: str) -> str:
    return "one name" if name == "reviewed by" else "a side effect and its decision on each line"


def _decisions(node: Mapping, problems: Problems) -> dict[str, str]:
    found: dict[str, str] = {}
    for key, value in node.entries:
        word = value.text if isinstance(value, Scalar) else ""
        if word in DECISIONS:
            found[key.text] = word
        else:
            text = f"{shown(key.text)}={shown(word)}: expected {', '.join(DECISIONS)}"
            problems.error(value.origin, "decision", text, did_you_mean(word, DECISIONS))
    return found
