"""Text from a device or a file cannot become markup, a terminal command, or broken XML, in any renderer."""

from __future__ import annotations

import json
import unicodedata
from collections.abc import Callable
from dataclasses import replace
from html.parser import HTMLParser
from xml.etree import ElementTree as ET

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from rich.cells import cell_len

from harness.core.places import Arrival, BacnetPlace, MqttPlace, ObjectType, PersonPlace, Place, Sign
from harness.core.verdicts import Verdict
from harness.report.document import ReportDocument
from harness.report.html import render_html
from harness.report.json_ import render_json
from harness.report.junit import render_junit
from harness.report.text import render_text

Build = Callable[[str], ReportDocument]
PAYLOADS = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "' onmouseover='alert(1)",
    "</title></style></svg><svg onload=alert(1)>",
    "{{ 7 * 7 }}{% raw %}",
    "]]><x/>&amp;&#60;script&#62;<!--",
    "\x1b[2J\x1b]52;c;aGk=\x07\r\x08\x9b1m\x00\x0c\x85",
    "\u202egnp.exe\u2066\u200b\ufeff\u2028",
    "\ud800\udfff\ufffe\uffff",
    "javascript:alert(1) data:text/html,<b>",
    "a" + "\u0301" * 40 + "\u4e00" * 50,
)
payloads = st.text(st.characters(codec=None), min_size=1, max_size=60) | st.text(
    "<>&\"'`=/!-[]{}%;:\x00\x1b\r\n\t\u202e\ud800\ufffe .x", min_size=1, max_size=40
)
FREE = {"aria-label", "content"}
"""Attributes whose values hold texts of the document."""


class Shape(HTMLParser):
    """The tags of a page in order, with every attribute that holds no text of the document, and all texts."""

    def __init__(self, page: str) -> None:
        super().__init__(convert_charrefs=True)
        self.shape: list[tuple[str, tuple[tuple[str, str | None], ...]]] = []
        self.texts: list[str] = []
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag != "wbr":
            self.shape.append((tag, tuple((name, None if name in FREE else value) for name, value in attrs)))
            self.texts.extend(value or "" for name, value in attrs if name in FREE)

    def handle_endtag(self, tag: str) -> None:
        self.shape.append((f"/{tag}", ()))

    def handle_comment(self, data: str) -> None:
        self.shape.append((f"!{data}", ()))

    def handle_decl(self, decl: str) -> None:
        self.shape.append((f"!{decl}", ()))

    def handle_data(self, data: str) -> None:
        self.texts.append(data)


def hidden(text: str) -> list[str]:
    return [
        one for one in text if one != "\n" and unicodedata.category(one) in ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp")
    ]


def check_html(poisoned: Build, payload: str) -> None:
    page = render_html(poisoned(payload))
    assert not hidden(page)
    page.encode()
    assert Shape(page).shape == Shape(render_html(poisoned("x"))).shape


def check_crowded_html(poisoned: Build, payload: str) -> None:
    """Alarms by links, runs of names, rows told together, and links that nobody listened to."""
    page = render_html(_crowded(poisoned(payload)))
    assert not hidden(page)
    assert Shape(page).shape == Shape(render_html(_crowded(poisoned("x")))).shape


def check_crowded_text(poisoned: Build, payload: str) -> None:
    document = _crowded(poisoned(payload))
    for every_row in (False, True):
        told = render_text(document, width=80, ascii_only=True, every_row=every_row)
        assert told.isascii()
        assert not hidden(told)
        assert max(map(cell_len, told.splitlines())) <= 80


def _crowded(document: ReportDocument) -> ReportDocument:
    """Unknowns that are told together, links with conditions, and points of as many kinds as there are."""
    first = document.attempts[-1]
    text = first.judgement.results[0].alarm
    unknown = tuple(
        replace(it, verdict=Verdict.NOT_OBSERVED, reason=text, elsewhere=it.point, onset=None)
        for it in first.judgement.results
    )
    links = tuple(
        replace(it, told_word=text, conditions=(text,), wire_ns=1, listened=number > 0)
        for number, it in enumerate(first.links)
    )
    changed = replace(first, judgement=replace(first.judgement, results=unknown), links=links)
    places: list[Place] = [
        *(BacnetPlace(object_type=kind, instance=1, arrives=way) for kind in list(ObjectType)[:3] for way in Arrival),
        MqttPlace(topic=text, pointer=text),
        PersonPlace(sign=Sign.TEXT, label=text),
    ]
    points = {
        name: replace(point, place=places[number % len(places)])
        for number, (name, point) in enumerate(document.site.points.items())
    }
    return replace(document, attempts=(changed,), site=replace(document.site, points=points))


def check_text(poisoned: Build, payload: str) -> None:
    document = poisoned(payload)
    for width in (80, 133, 200):
        for ascii_only in (False, True):
            told = render_text(document, width=width, ascii_only=ascii_only)
            assert not hidden(told)
            assert max(map(cell_len, told.splitlines())) <= width
            assert not ascii_only or told.isascii()


def check_junit(poisoned: Build, payload: str) -> None:
    told = render_junit(poisoned(payload))
    assert not hidden(told)
    read, benign = (ET.fromstring(text.encode()) for text in (told, render_junit(poisoned("x"))))  # noqa: S314
    shapes = [[(one.tag, sorted(one.keys())) for one in root.iter()] for root in (read, benign)]
    assert shapes[0] == shapes[1]


def check_json(poisoned: Build, payload: str) -> None:
    told = render_json(poisoned(payload))
    assert told.isascii()
    title = payload + "Hollowmere Hospital, standby fuel plant"
    assert _joined(json.loads(told)["facts"]["title"]["value"]) == _joined(title)


def _joined(text: str) -> str:
    """A high surrogate before a low one is one character to JSON, as to UTF-16 (RFC 8259, 7)."""
    return text.encode("utf-16", "surrogatepass").decode("utf-16", "surrogatepass")


CHECKS = (check_html, check_crowded_html, check_crowded_text, check_text, check_junit, check_json)


@pytest.mark.parametrize("payload", PAYLOADS, ids=range(len(PAYLOADS)))
@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
def test_a_hostile_text_changes_nothing_but_texts(
    poisoned: Build, check: Callable[[Build, str], None], payload: str
) -> None:
    check(poisoned, payload)


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(payload=payloads)
def test_any_text_changes_nothing_but_texts(poisoned: Build, check: Callable[[Build, str], None], payload: str) -> None:
    check(poisoned, payload)


def test_the_check_itself_sees_an_injection(poisoned: Build) -> None:
    page = render_html(poisoned("x"))
    broken = page.replace("xA. Technician", "<b>A. Technician</b>", 1)
    assert broken != page
    assert Shape(broken).shape != Shape(page).shape


def test_what_washidden_is_shown(poisoned: Build) -> None:
    page = Shape(render_html(poisoned("\x1b[2J"))).texts
    assert any(r"\x1b[2JA. Technician" in text for text in page)
    assert r"\x1b[2Jbulk-a.low" in render_text(poisoned("\x1b[2J"), width=200)
