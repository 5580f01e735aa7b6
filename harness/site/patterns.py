"""Regular expressions of printed lines: whether they are sound, cannot run away, and stay apart from each other."""

from __future__ import annotations

import re
import string
import warnings
from collections.abc import Iterator
from functools import lru_cache
from importlib import import_module
from typing import Any, Final

from harness.site.problems import Mismatch

PATTERN_MAX: Final = 2_000
REPEATS_MAX: Final = 3
"""A line that fits k repeats in a row costs its length to the power of k. Three are bearable for a kilobyte."""
_OPEN_FROM: Final = 32
"""A repeat with a higher limit than this counts as open."""
_LINE_MAX: Final = 400

_parser: Any = import_module("re._parser")  # the only way to see what a pattern is made of
_REPEATS: Final = ("MAX_REPEAT", "MIN_REPEAT", "POSSESSIVE_REPEAT")


@lru_cache(maxsize=4096)
def _parsed(pattern: str) -> Any:
    """What a pattern is made of; a site asks three times of each."""
    return _parser.parse(pattern)


def check_searched_pattern(pattern: str) -> None:
    """As ``check_pattern``, for one that may match anywhere in a text: that costs as much as one repeat more."""
    check_pattern(pattern, repeats_max=REPEATS_MAX - 1)


def check_pattern(pattern: str, *, repeats_max: int = REPEATS_MAX) -> None:
    """Raise Mismatch where the pattern is no regular expression, or may take forever on a hostile line."""
    if len(pattern) > PATTERN_MAX:
        raise Mismatch(f"expected at most {PATTERN_MAX} characters", "shorten it", code="pattern")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")  # what re warns of will mean something else one day
            tree = _parsed(pattern)
            matches_nothing = re.fullmatch(pattern, "") is not None
    except (re.error, OverflowError, RecursionError, Warning) as exc:
        remedy = "put a backslash before a character that stands for itself"
        raise Mismatch(f"expected a regular expression, found: {exc}", remedy, code="pattern") from exc
    if matches_nothing:
        raise Mismatch("it matches an empty line", "write what the line holds", code="pattern")
    if _nested(tree):
        remedy = "write the inner repeat without + or *, or as a possessive ++ or *+"
        raise Mismatch("a repeat inside a repeat may take forever on a long line", remedy, code="pattern-runaway")
    if _longest_chain(tree) > repeats_max:
        text = f"more than {repeats_max} repeats that fit what stands between them may take forever on a long line"
        raise Mismatch(text, "name what stands between, for example [^ ]+ instead of .+", code="pattern-runaway")


# --- what a pattern may cost ----------------------------------------------------------------------


def _children(node: Any) -> Iterator[Any]:
    """The parts of a parsed pattern that are patterns themselves."""
    operation, argument = node
    name = str(operation)
    if name == "SUBPATTERN":
        yield argument[-1]
    elif name in _REPEATS:
        yield argument[2]
    elif name == "BRANCH":
        yield from argument[1]
    elif name == "ATOMIC_GROUP":
        yield argument
    elif name in ("ASSERT", "ASSERT_NOT"):
        yield argument[1]
    elif name == "GROUPREF_EXISTS":
        yield from (part for part in argument[1:] if part is not None)


def _is_open(node: Any) -> bool:
    operation, argument = node
    return str(operation) in ("MAX_REPEAT", "MIN_REPEAT") and int(argument[1]) > _OPEN_FROM


def _nested(tree: Any, *, inside: bool = False) -> bool:
    """True for repeats inside repeats, and for alternatives inside repeats that may begin alike."""
    for node in tree:
        name = str(node[0])
        if inside and (_is_open(node) or (name == "BRANCH" and _branches_overlap(node))):
            return True
        if name in ("POSSESSIVE_REPEAT", "ATOMIC_GROUP"):
            continue
        if any(_nested(child, inside=inside or _is_open(node)) for child in _children(node)):
            return True
    return False


def _branches_overlap(node: Any) -> bool:
    """Alternatives are known apart only where each begins with a literal of its own."""
    heads = [branch[0] if len(branch) else None for branch in node[1][1]]
    literals = [head[1] for head in heads if head is not None and str(head[0]) == "LITERAL"]
    return len(literals) != len(heads) or len(set(literals)) != len(heads)


def _longest_chain(tree: Any) -> int:
    """The most open repeats of which each can swallow what stands before the next: the power of the worst cost."""
    longest = chain = 0
    repeat: Any = None
    between: list[Any] = []
    for node in _opened(tree):
        if not _is_open(node):
            between.append(node)
            longest = max([longest, *(_longest_chain(child) for child in _children(node))])
            continue
        linked = repeat is not None and all(_overlap(repeat, part) for part in between or [node])
        chain = chain + 1 if linked else 1
        longest = max(longest, chain)
        repeat, between = node, []
    return longest


def _opened(tree: Any) -> Iterator[Any]:
    """The parts in a row, with groups opened."""
    for node in tree:
        if str(node[0]) == "SUBPATTERN":
            yield from _opened(node[1][3])
        else:
            yield node


def _overlap(repeat: Any, part: Any) -> bool:
    """True where a repeat can take some text that the part takes; anything but single characters is taken to."""
    ours = [node for node in _opened(repeat[1][2]) if _is_character(str(node[0]))]
    name = str(part[0])
    if name in _REPEATS:
        if int(part[1][0]) == 0:
            return True
        theirs = [node for node in _opened(part[1][2]) if _is_character(str(node[0]))]
    else:
        theirs = [part] if _is_character(name) else []
    if not ours or not theirs:
        return True
    return any(
        any(_fits(node, character) for node in ours) and any(_fits(node, character) for node in theirs)
        for character in string.printable
    )


def _is_character(name: str) -> bool:
    return name in ("LITERAL", "NOT_LITERAL", "ANY", "IN")


def _fits(node: Any, character: str) -> bool:
    """True where a part that takes one character takes this one (case is not looked at)."""
    operation, argument = node
    name = str(operation)
    if name == "IN":
        negated = str(argument[0][0]) == "NEGATE"
        return bool(negated != any(_holds(item, character) for item in argument[negated:]))
    if name == "NOT_LITERAL":
        return bool(ord(character) != argument)
    return name == "ANY" or bool(ord(character) == argument)


_SHORTHAND: Final = {
    "CATEGORY_DIGIT": r"\d",
    "CATEGORY_NOT_DIGIT": r"\D",
    "CATEGORY_SPACE": r"\s",
    "CATEGORY_NOT_SPACE": r"\S",
    "CATEGORY_WORD": r"\w",
    "CATEGORY_NOT_WORD": r"\W",
}


def _holds(item: Any, character: str) -> bool:
    """True where one item of a [...] set holds the character."""
    operation, argument = item
    name = str(operation)
    if name == "LITERAL":
        return bool(ord(character) == argument)
    if name == "RANGE":
        return bool(argument[0] <= ord(character) <= argument[1])
    return _is_in(str(argument), character)


@lru_cache(maxsize=2048)
def _is_in(category: str, character: str) -> bool:
    return re.fullmatch(_SHORTHAND[category], character) is not None


# --- lines that a pattern matches -----------------------------------------------------------------


def examples(pattern: str) -> tuple[str, ...]:
    """Up to two lines that the pattern matches whole: each repeat at its least, and once more. () if none is found."""
    tree = _parsed(pattern)
    compiled = re.compile(pattern)
    lines = []
    for more in (0, 1):
        try:
            line = _line(tree, more, {})[:_LINE_MAX]
        except (KeyError, ValueError, RecursionError, StopIteration):
            continue
        if compiled.fullmatch(line):
            lines.append(line)
    return tuple(dict.fromkeys(lines))


_CANDIDATES: Final = "x0 A-_.:/#~\t\u00e9"


def _line(tree: Any, more: int, groups: dict[int, str]) -> str:
    return "".join(_part(node, more, groups) for node in tree)


def _part(node: Any, more: int, groups: dict[int, str]) -> str:
    operation, argument = node
    name = str(operation)
    if _is_character(name):
        own = chr(argument) if name == "LITERAL" else _first(argument) if name == "IN" else ""
        return next(character for character in own + _CANDIDATES if _fits(node, character))
    if name in _REPEATS:
        times = min(int(argument[0]) + more, int(argument[1]), _LINE_MAX)
        return "".join(_line(argument[2], more, groups) for _ in range(times))
    if name == "BRANCH":
        return _line(argument[1][more % len(argument[1])], more, groups)
    if name == "GROUPREF":
        return groups[argument]
    if name in ("SUBPATTERN", "ATOMIC_GROUP"):
        text = _line(next(iter(_children(node))), more, groups)
        if name == "SUBPATTERN" and argument[0] is not None:
            groups[argument[0]] = text
        return text
    if name in ("AT", "ASSERT", "ASSERT_NOT"):
        return ""
    raise ValueError(name)


def _first(items: Any) -> str:
    """A character that a set names itself, as the first to try."""
    operation, argument = items[0]
    return {"LITERAL": lambda: chr(argument), "RANGE": lambda: chr(argument[0])}.get(str(operation), str)()


def longest_literal(pattern: str) -> str:
    """The longest text that every line of this pattern holds; '' where there is none. A quick way to rule out."""
    tree = _parsed(pattern)
    if tree.state.flags & re.IGNORECASE:
        return ""
    best = run = ""
    for node in _flat(tree):
        run = run + chr(node[1]) if node is not None and str(node[0]) == "LITERAL" else ""
        best = max(best, run, key=len)
    return best


def _flat(tree: Any) -> Iterator[Any]:
    """The parts in a row, groups opened; None where something is not literal."""
    for node in tree:
        if str(node[0]) == "SUBPATTERN" and not node[1][1]:
            yield from _flat(node[1][3])
        else:
            yield node if str(node[0]) == "LITERAL" else None
