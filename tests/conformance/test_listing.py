"""The one list is complete: every check applies to every link, or a table says why it cannot."""

from __future__ import annotations

import ast
import sys
from pathlib import Path

from tests.conformance.rigs import RIGS


def checks() -> set[str]:
    """The names of all checks, as the modules beside this one have them."""
    found = set()
    for module in Path(__file__).parent.glob("test_*.py"):
        for it in ast.parse(module.read_text(encoding="utf-8")).body:
            if isinstance(it, ast.AsyncFunctionDef) and any(ast.unparse(by) == "check" for by in it.decorator_list):
                found.add(it.name)
    return found


def test_what_is_left_out_is_a_check_and_has_a_reason() -> None:
    known = checks()
    for kind in RIGS:
        for name, why in kind.left_out.items():
            sys.stdout.write(f"{kind.name:24} {name.removeprefix('test_').replace('_', ' ')}: {why}\n")
            assert name in known, (kind.name, name)
            assert len(why.split()) >= 5, (kind.name, name, why)


def test_every_check_applies_to_most_links_and_most_checks_to_every_link() -> None:
    known = checks()
    assert len(known) >= 19
    for name in known:
        left_out = [kind.name for kind in RIGS if name in kind.left_out]
        assert len(left_out) <= len(RIGS) // 2, (name, left_out)
    for kind in RIGS:
        assert len(kind.left_out) <= len(known) // 2, kind.name


def test_no_check_is_passed_over_in_silence() -> None:
    """A check that is skipped or expected to fail would look like one that passed."""
    for module in Path(__file__).parent.glob("test_*.py"):
        if module != Path(__file__):
            text = module.read_text(encoding="utf-8")
            assert "pytest.skip" not in text, module
            assert "xfail" not in text, module


def test_names_are_unique() -> None:
    names = [kind.name for kind in RIGS]
    assert len(set(names)) == len(names)
