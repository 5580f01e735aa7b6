"""Regular expressions of printed lines: whether they are sound, cannot run away, and stay apart from each other."""

from __future__ import annotations

import re
from collections.abc import Iterator
from importlib import import_module
from typing import Any, Final

from harness.site.problems import Mismatch

PATTERN_MAX: Final = 2_000
_WIDE_REPEATS_MAX: Final = 3
"""More ``.*`` in one pattern cost the length of a line to that power."""
_LINE_MAX: Final = 400

_parser: Any = import_module("re._parser")  # the only way to see what a pattern is made of


def check_pattern(pattern: str) -> None:
    """Raise Mismatch where the pattern is no regular expression, or may take forever on a hostile line."""
    if len(pattern) > PATTERN_MAX:
        raise Mismatch(f"expected at most {PATTERN_MAX} characters", "shorten it", code="pattern")
    try:
        tree = _parser.parse(pattern)
        re.compile(pattern)
    except (re.error, OverflowError, RecursionError) as exc:
        raise Mismatch(f"expected a regular expression, found: {exc}",
                       "put a backslash before a character that stands for itself", code="pattern") from exc  # fmt: skip
    nested = _nested(tree)
    if nested:
        raise Mismatch("a repeat inside a repeat may take forever on a long line",
                       "write the inner repeat without + or *, or as a possessive ++ or *+", code="pattern-runaway")  # fmt: skip
    if _wide(tree) > _WIDE_REPEATS_MAX:
        raise Mismatch(f"expected at most {_WIDE_REPEATS_MAX} of .* and .+, for more may take forever on a long line",
                       "name what stands between, for example [^ ]+", code="pattern-runaway")  # fmt: skip
    if re.fullmatch(pattern, "") is not None:
        raise Mismatch("it matches an empty line", "write what the line holds", code="pattern")


def _children(node: Any) -> Iterator[Any]:
    """The parts of a parsed pattern that are patterns themselves."""
    operation, argument = node
    name = str(operation)
    if name == "SUBPATTERN":
        yield argument[-1]
    elif name in ("MAX_REPEAT", "MIN_REPEAT", "POSSESSIVE_REPEAT"):
        yield argument[2]
    elif name == "BRANCH":
        yield from argument[1]
    elif name == "ATOMIC_GROUP":
        yield argument
    elif name in ("ASSERT", "ASSERT_NOT"):
        yield argument[1]
    elif name == "GROUPREF_EXISTS":
        yield from (part for part in argument[1:] if part is not None)


def _is_open_repeat(node: Any) -> bool:
    operation, argument = node
    return str(operation) in ("MAX_REPEAT", "MIN_REPEAT") and int(argument[1]) > 32


def _nested(tree: Any, *, inside: bool = False) -> bool:
    for node in tree:
        repeats = _is_open_repeat(node)
        if repeats and inside:
            return True
        if str(node[0]) in ("POSSESSIVE_REPEAT", "ATOMIC_GROUP"):
            continue
        branches = str(node[0]) == "BRANCH"
        if branches and inside and _branches_overlap(node):
            return True
        if any(_nested(child, inside=inside or repeats) for child in _children(node)):
            return True
    return False


def _branches_overlap(node: Any) -> bool:
    """Alternatives that may begin alike, such as (a|a)*: known apart only where each begins with its own literal."""
    heads = [branch[0] if len(branch) else None for branch in node[1][1]]
    literals = [head[1] for head in heads if head is not None and str(head[0]) == "LITERAL"]
    return len(literals) != len(heads) or len(set(literals)) != len(heads)


def _wide(tree: Any) -> int:
    count = 0
    for node in tree:
        if _is_open_repeat(node) and any(str(part[0]) in ("ANY", "NOT_LITERAL") for part in node[1][2]):
            count += 1
        count += sum(_wide(child) for child in _children(node))
    return count


def examples(pattern: str) -> tuple[str, ...]:
    """Up to two lines that the pattern matches whole (each repeat at its least, and once more). Empty if none is found."""
    tree = _parser.parse(pattern)
    compiled = re.compile(pattern)
    lines = []
    for more in (0, 1):
        try:
            line = _line(tree, more, {})
        except (KeyError, ValueError, RecursionError):
            continue
        if compiled.fullmatch(line[:_LINE_MAX]):
            lines.append(line[:_LINE_MAX])
    return tuple(dict.fromkeys(lines))


def longest_literal(pattern: str) -> str:
    """The longest text that every line of this pattern holds; '' where there is none. A quick way to rule out."""
    best = run = ""
    for node in _flat(_parser.parse(pattern)):
        if node is not None and str(node[0]) == "LITERAL":
            run += chr(node[1])
            best = max(best, run, key=len)
        else:
            run = ""
    return best


def _flat(tree: Any) -> Iterator[Any]:
    flags_differ = bool(tree.state.flags & re.IGNORECASE) if hasattr(tree, "state") else False
    for node in tree:
        if str(node[0]) == "SUBPATTERN" and not node[1][1] and not flags_differ:
            yield from _flat(node[1][3])
        else:
            yield None if flags_differ else node


_CANDIDATES: Final = "x0 A-_.:/#~\t\u00e9"
_CATEGORY: Final = {
    "CATEGORY_DIGIT": "0", "CATEGORY_NOT_DIGIT": "x", "CATEGORY_SPACE": " ", "CATEGORY_NOT_SPACE": "x",
    "CATEGORY_WORD": "x", "CATEGORY_NOT_WORD": " ",
}  # fmt: skip


def _line(tree: Any, more: int, groups: dict[int, str]) -> str:
    parts = []
    for operation, argument in tree:
        name = str(operation)
        if name == "LITERAL":
            parts.append(chr(argument))
        elif name == "NOT_LITERAL":
            parts.append(next(c for c in _CANDIDATES if ord(c) != argument))
        elif name == "ANY":
            parts.append("x")
        elif name == "IN":
            parts.append(_member(argument))
        elif name == "BRANCH":
            parts.append(_line(argument[1][more % len(argument[1])], more, groups))
        elif name == "SUBPATTERN":
            text = _line(argument[3], more, groups)
            if argument[0] is not None:
                groups[argument[0]] = text
            parts.append(text)
        elif name in ("MAX_REPEAT", "MIN_REPEAT", "POSSESSIVE_REPEAT"):
            times = min(int(argument[0]) + more, int(argument[1]), _LINE_MAX)
            parts.extend(_line(argument[2], more, groups) for _ in range(times))
        elif name == "ATOMIC_GROUP":
            parts.append(_line(argument, more, groups))
        elif name == "GROUPREF":
            parts.append(groups[argument])
        elif name not in ("AT", "ASSERT", "ASSERT_NOT"):
            raise ValueError(name)
    return "".join(parts)


def _member(items: Any) -> str:
    """One character of a [...] set."""
    negated = bool(items) and str(items[0][0]) == "NEGATE"
    if negated:
        for candidate in _CANDIDATES:
            if not any(_holds(item, candidate) for item in items[1:]):
                return candidate
        raise ValueError("no member found")
    operation, argument = items[0]
    if str(operation) == "LITERAL":
        return chr(argument)
    if str(operation) == "RANGE":
        return chr(argument[0])
    return _CATEGORY[str(argument)]


def _holds(item: Any, candidate: str) -> bool:
    operation, argument = item
    if str(operation) == "LITERAL":
        return bool(ord(candidate) == argument)
    if str(operation) == "RANGE":
        return bool(argument[0] <= ord(candidate) <= argument[1])
    shorthand = {"CATEGORY_DIGIT": r"\d", "CATEGORY_NOT_DIGIT": r"\D", "CATEGORY_SPACE": r"\s",
                 "CATEGORY_NOT_SPACE": r"\S", "CATEGORY_WORD": r"\w", "CATEGORY_NOT_WORD": r"\W"}  # fmt: skip
    return re.fullmatch(shorthand[str(argument)], candidate) is not None


def filled(template: str, *, text: str, code: str) -> str:
    """A pattern with ``{text}`` and ``{code}`` replaced by an alarm's own, taken literally."""
    return template.replace("{text}", re.escape(text)).replace("{code}", re.escape(code))


def needs(template: str, placeholder: str) -> bool:
    """True where the template holds ``{placeholder}``."""
    return f"{{{placeholder}}}" in template
