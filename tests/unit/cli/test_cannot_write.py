"""What only listens, reads or judges cannot write: the code that can build a write is not even there.

By its imports, those inside functions included, and in a process of its own that really runs each command.
"""

from __future__ import annotations

import ast
import json
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from harness.cli import COMMANDS
from harness.record.header import Header
from harness.record.writer import RecordWriter
from harness.results.judging import END_EVENT, ENTRY_KEY, MAP_KEY, PLAN_EVENT
from tests.peers.command import environment
from tests.peers.sites import documents

ROOT = Path(__file__).parents[3]
WRITES = "harness.stimulus"
HARMLESS = {WRITES, f"{WRITES}.performed"}
"""The package's own line of words, and what became of a step: nothing in either can build or send anything."""
MAY_WRITE = {"test", "demo", "trials", "shortest"}
"""The commands that raise alarms, once armed."""

CHILD = """
import contextlib, io, json, sys
from harness.cli import main
ran = {}
for words in json.loads(sys.argv[1]):
    sys.argv = ["farend", *words]
    out = io.StringIO()
    code = None
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(out):
        try:
            main()
        except SystemExit as exc:
            code = exc.code
    ran[words[0]] = [code, out.getvalue()[-2000:], [it for it in sys.modules if it.startswith("harness.stimulus")]]
print(json.dumps(ran))
"""


def imported(module: str, seen: set[str] | None = None) -> set[str]:
    """All modules of the package that a module can ever import, directly or through others."""
    seen = set() if seen is None else seen
    path = ROOT.joinpath(*module.split("."))
    file = path / "__init__.py" if path.is_dir() else path.with_suffix(".py")
    if module in seen or not file.exists():
        return seen
    seen.add(module)
    for name in _imports(ast.parse(file.read_text(encoding="utf-8"))):
        if name.startswith("harness."):
            imported(name, seen)
    return seen


def _imports(tree: ast.AST) -> Iterator[str]:
    """Of every import that is ever executed: what only a type checker sees is left out."""
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":
            continue
        if isinstance(node, ast.Import):
            yield from (name.name for name in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module is not None:
            yield node.module
            yield from (f"{node.module}.{name.name}" for name in node.names)
        else:
            yield from _imports(node)


@pytest.mark.parametrize("command", sorted(set(COMMANDS) - MAY_WRITE))
def test_no_import_leads_to_what_can_write(command: str) -> None:
    found = imported(f"harness.cli.{command}")
    assert f"harness.cli.{command}" in found
    assert {name for name in found if name.startswith(WRITES)} <= HARMLESS


def test_the_walk_would_see_it() -> None:
    """The same walk finds it where it is: behind a test, inside a function."""
    assert f"{WRITES}.armed" in imported("harness.cli.test")


def test_what_is_harmless_imports_nothing_that_is_not() -> None:
    below = set().union(*(imported(name) for name in HARMLESS)) - HARMLESS
    assert all(name.startswith("harness.core") for name in below), below


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with a site file and a record of a run in which nothing was raised."""
    site = documents()
    (tmp_path / "site.yaml").write_bytes(site.files["site.yaml"])
    extra = {ENTRY_KEY: site.entry, MAP_KEY: ""}
    header = Header.now(time.monotonic_ns, site="ashby", extra=extra)
    journal = RecordWriter.create(tmp_path / "run.farend", header, site.files, time.monotonic_ns)
    journal.event(PLAN_EVENT, time.monotonic_ns(), {"rows": ["a.high@high"], "links": {"a.high": ["bms"]}})
    journal.event(END_EVENT, time.monotonic_ns(), {"why": ""})
    journal.close()
    return tmp_path


def test_the_commands_run_without_it(folder: Path) -> None:
    """Each command is really run, one after the other in one process; so is a test that nobody armed."""
    commands: list[list[str]] = [
        ["watch", "site.yaml", "--for", "200 ms", "--record", "watched.farend"],
        ["check", "site.yaml"],
        ["plan", "site.yaml"],
        ["judge", "run.farend"],
        ["explain", "run.farend"],
        ["report", "run.farend", "--json", "-"],
        ["measure", "run.farend"],
        ["test", "site.yaml", "--record", "new.farend"],
        ["trials", "site.yaml", "--alarm", "a.high", "--record", "new.farend"],
        ["shortest", "site.yaml", "--alarm", "a.high", "--record", "new.farend"],
    ]
    expected = {"watch": 0, "check": 0, "plan": 0, "judge": 3, "explain": 3, "report": 3, "measure": 0}
    expected |= dict.fromkeys(("test", "trials", "shortest"), 4)
    done = subprocess.run(  # noqa: S603 - this interpreter, this package
        [sys.executable, "-W", "error", "-c", CHILD, json.dumps(commands)],
        cwd=folder, env=environment(), capture_output=True, encoding="utf-8", timeout=60, check=False,
        stdin=subprocess.DEVNULL,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    ran = json.loads(done.stdout.splitlines()[-1])
    for words in commands:
        code, out, modules = ran[words[0]]
        assert set(modules) <= HARMLESS, words
        assert code == expected[words[0]], (words, out)
    for name in ("test", "trials", "shortest"):
        assert "not armed, so nothing is raised" in ran[name][1]
    assert not (folder / "new.farend").exists()
    assert (folder / "watched.farend").exists()
