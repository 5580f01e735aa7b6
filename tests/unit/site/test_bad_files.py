"""Every broken site file gives its own message: the text, the line, the severity and nothing besides are pinned."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.core.errors import Problem, SiteError
from harness.site.reading import load_site

BAD = Path(__file__).with_name("bad")
FILES = sorted(BAD.glob("*.yaml"))


def problems_of(path: Path) -> tuple[Problem, ...]:
    try:
        return load_site(path)[1]
    except SiteError as exc:
        if not any(problem.severity == "error" for problem in exc.problems):
            pytest.fail(f"raised without an error: {exc.problems}")
        return exc.problems


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_message_is_the_pinned_one(path: Path) -> None:
    problems = problems_of(path)
    assert "".join(f"{problem}\n" for problem in problems) == path.with_suffix(".txt").read_text(encoding="utf-8")
    assert len(problems) == 1


def test_there_are_enough_and_none_is_left_over() -> None:
    assert len(FILES) >= 40
    assert {path.stem for path in FILES} == {path.stem for path in BAD.glob("*.txt")}


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_every_message_names_a_line_that_is_there(path: Path) -> None:
    for problem in problems_of(path):
        named = BAD / problem.origin.file
        assert problem.origin.line >= 1
        if named.suffix in (".yaml", ".csv") and named.exists():
            assert problem.origin.line <= named.read_bytes().count(b"\n") + 1


def test_everything_is_said_at_once() -> None:
    """The errors of three files in one: none hides another."""
    text = (BAD / "unknown-alarm.yaml").read_text(encoding="utf-8")
    text = text.replace("poll every: 100 ms", "poll every: 100").replace("127.0.0.1:15022", "127.0.0.1:0")
    text = text.replace("behaviour: follows, visible", "behaviour: folows, visible")
    from harness.site.reading import read_site

    with pytest.raises(SiteError) as caught:
        read_site({"site.yaml": text.encode()}, "site.yaml")
    assert [problem.origin.line for problem in caught.value.problems] == [8, 10, 44, 46]
