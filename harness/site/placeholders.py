"""``{name}``, ``{text}`` and ``{code}`` in a pattern, topic or label: what stands there for each alarm."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from typing import Final

from harness.core.model import Alarm
from harness.site.forms import Form
from harness.site.names import did_you_mean
from harness.site.problems import Mismatch, Problems

PLACEHOLDERS: Final = ("name", "text", "code")

_WHAT: Final = {"text": "as it is shown and printed", "code": "the number that stands there for this alarm"}

_BRACED: Final = re.compile(r"(?<!\\)(?<!\\N)\{([A-Za-z][A-Za-z0-9_ -]{0,39})\}")
"""A word in braces. A backslash before it makes it stand for itself in a pattern, and ``\\N{...}`` is a character."""


_FILLED: Final = re.compile(r"\{(name|text|code)\}")


def check_placeholders(template: str) -> None:
    """Raise Mismatch where a word in braces is none of those that stand for something."""
    for word in _BRACED.findall(template):
        if word not in PLACEHOLDERS:
            known = [f"{{{name}}}" for name in PLACEHOLDERS]
            remedy = did_you_mean(f"{{{word}}}", known)
            raise Mismatch(f"{{{word}}} stands for nothing", remedy, code="placeholder")


def used(templates: Iterable[str]) -> tuple[str, ...]:
    """The placeholders that these templates hold, in a fixed order."""
    listed = list(templates)
    return tuple(word for word in PLACEHOLDERS if any(f"{{{word}}}" in template for template in listed))


def filled(template: str, values: Mapping[str, str], spelt: Callable[[str], str] = str) -> str:
    """A template with an alarm's own values; ``spelt`` writes them so that they stand for themselves."""
    return _FILLED.sub(lambda found: spelt(values[found[1]]) if found[1] in values else found[0], template)


def pointer_token(text: str) -> str:
    """A text as a part of a JSON pointer (RFC 6901, 3)."""
    return text.replace("~", "~0").replace("/", "~1")


def values_of(
    alarm: Alarm, form: Form, words: Iterable[str], whose: str, problems: Problems
) -> Mapping[str, str] | None:
    """What ``words`` stand for in this alarm; None where it lacks one (a problem says so). ``whose``: of what."""
    lacking = [word for word in words if word != "name" and not form.has(word)]
    for word in lacking if not problems.is_cut_short else ():
        text = f"alarm {alarm.name}: {word} is missing, and {whose} holds {{{word}}}"
        problems.error(form.origin, "missing", text, f"add {word}: {_WHAT[word]}")
    if lacking or form.broken & set(words):
        return None
    return {"name": alarm.name, "text": alarm.text, "code": form.written("code")}
