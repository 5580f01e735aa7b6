"""Imports go downwards only, the heart does no I/O, only the command line prints, and ``sims`` stands on its own.

The rules are those of DESIGN's "Layout". They are walked with ``ast``, so imports inside functions and behind
``TYPE_CHECKING`` count as well. Every rule is shown to catch a violation planted in a tree of its own.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]

_SHARED = frozenset({"core", "correlate", "measure", "site", "report", "links", "record"})

MAY_IMPORT: dict[str, frozenset[str]] = {
    "core": frozenset(),
    "correlate": frozenset({"core"}),
    "measure": frozenset({"core"}),
    "site": frozenset({"core"}),
    "report": frozenset({"core", "measure"}),
    "links": frozenset({"core", "site"}),
    "stimulus": frozenset({"core", "site"}),
    "record": frozenset({"core", "site"}),
    "results": _SHARED,
    "run": _SHARED | {"stimulus", "results"},
    "studies": _SHARED | {"results", "run"},
    "cli": _SHARED | {"stimulus", "results", "run", "studies"},
    "plugin": frozenset({"core", "site", "report", "results", "run"}),
}
"""Package of ``harness`` -> the packages that it may import besides itself."""

ALSO: dict[str, frozenset[str]] = {
    "record": frozenset({"harness.links.base", "harness.links.seen"}),  # what links hand on is what is written down
    "stimulus": frozenset(  # one strict Modbus client and one BACnet stack for both
        {
            *("harness.links.modbus_client", "harness.links.modbus_pdu"),
            *("harness.links.bacnet_apdu", "harness.links.bacnet_app"),
            *("harness.links.bacnet_messages", "harness.links.bacnet_values"),
        }
    ),
}
"""Single modules that a package may import from beside itself, with the reason."""

WITHOUT_IO = ("core", "correlate", "measure")

PURE_MODULES = frozenset(
    {
        *("__future__", "abc", "bisect", "collections", "dataclasses", "decimal", "enum", "fractions", "functools"),
        *("heapq", "itertools", "math", "numpy", "operator", "re", "scipy", "statistics", "string", "traceback"),
        *("types", "typing"),
    }
)
"""What the packages without I/O may import: nothing here opens, asks a clock or logs."""

IO_CALLS = frozenset({"open", "print", "input", "__import__", "exec", "eval", "breakpoint"})


def violations(root: Path) -> list[str]:
    """Every broken rule in ``root``/harness and ``root``/sims, as ``file:line: what``."""
    found: list[str] = []
    for path in sorted((root / "harness").rglob("*.py")):
        inside = path.relative_to(root / "harness").parts
        package = inside[0] if len(inside) > 1 else inside[0].removesuffix(".py")
        tree = ast.parse(path.read_text(encoding="utf-8"))
        where = path.relative_to(root).as_posix()
        found += [f"{where}:{line}: {what}" for line, what in _broken_in_harness(tree, package, path, root)]
    for path in sorted((root / "sims").rglob("*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        where = path.relative_to(root).as_posix()
        for line, module in _imports(tree, path, root):
            if module.split(".")[0] == "harness":
                found.append(f"{where}:{line}: sims imports {module}")
    return found


def _broken_in_harness(tree: ast.Module, package: str, path: Path, root: Path) -> Iterator[tuple[int, str]]:
    if package not in MAY_IMPORT and package != "__init__":
        yield 1, f"package {package} has no rule"
        return
    pure = package in WITHOUT_IO
    for line, module in _imports(tree, path, root):
        parts = module.split(".")
        if parts[0] != "harness":
            if pure and parts[0] not in PURE_MODULES:
                yield line, f"{package} imports {module}"
        elif len(parts) > 1 and not _is_allowed(package, module):
            yield line, f"{package} imports {module}"
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            if pure and node.func.id in IO_CALLS:
                yield node.lineno, f"{package} calls {node.func.id}"
            elif node.func.id == "print" and package != "cli":
                yield node.lineno, f"{package} prints"
        elif isinstance(node, ast.Attribute) and package != "cli" and ast.unparse(node) in {"sys.stdout", "sys.stderr"}:
            yield node.lineno, f"{package} writes to {ast.unparse(node)}"


def _is_allowed(package: str, module: str) -> bool:
    target = module.split(".")[1]
    if package == "__init__":
        return False
    if target == package or target in MAY_IMPORT[package]:
        return True
    return any(module == it or module.startswith(f"{it}.") for it in ALSO.get(package, frozenset()))


def _imports(tree: ast.Module, path: Path, root: Path) -> Iterator[tuple[int, str]]:
    """(line, full module) of every import; ``from harness import x`` names ``harness.x`` where x is a module."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            for name in node.names:
                yield node.lineno, name.name
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                here = path.relative_to(root).with_suffix("").parts[: -node.level]
                base = ".".join([*here, *([base] if base else [])])
            for name in node.names:
                submodule = root.joinpath(*base.split("."), name.name)
                is_module = submodule.is_dir() or submodule.with_suffix(".py").exists()
                yield node.lineno, f"{base}.{name.name}" if is_module else base
        elif isinstance(node, ast.Call) and _is_import_module(node) and isinstance(node.args[0], ast.Constant):
            yield node.lineno, str(node.args[0].value)


def _is_import_module(node: ast.Call) -> bool:
    name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
    return name in {"import_module", "__import__"} and bool(node.args)


def test_the_tree_keeps_the_rules() -> None:
    """The real tree has no violation, and is really walked."""
    assert len(list((ROOT / "harness").rglob("*.py"))) > 20
    assert len(list((ROOT / "sims").rglob("*.py"))) > 5
    assert violations(ROOT) == []


def test_every_package_has_a_rule() -> None:
    packages = {it.parent.name for it in (ROOT / "harness").glob("*/__init__.py")}
    assert packages <= set(MAY_IMPORT)


def test_the_rules_have_no_cycle() -> None:
    """With the single modules counted as whole packages there is still a bottom to start from."""
    left = {
        package: set(below) | {module.split(".")[1] for module in ALSO.get(package, ())}
        for package, below in MAY_IMPORT.items()
    }
    while left:
        free = {package for package, below in left.items() if not below & left.keys()}
        assert free, f"these import each other: {sorted(left)}"
        left = {package: below for package, below in left.items() if package not in free}


def plant(root: Path, name: str, source: str) -> None:
    """A small clean tree with one more file in it."""
    for package in MAY_IMPORT:
        folder = root / "harness" / package
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "__init__.py").write_text('"""Clean."""\n')
    (root / "harness" / "__init__.py").write_text('__version__ = "0"\n')
    (root / "harness" / "core" / "model.py").write_text("import numpy as np\nfrom harness.core import places\n")
    (root / "harness" / "core" / "places.py").write_text("")
    (root / "harness" / "links" / "modbus_rtu.py").write_text("import asyncio\nfrom harness.core import model\n")
    (root / "sims").mkdir(exist_ok=True)
    (root / "sims" / "plant.py").write_text("import asyncio\nfrom sims import pumps\n")
    (root / "sims" / "pumps.py").write_text("")
    if name:
        (root / name).write_text(source)


def test_a_clean_tree_has_no_violation(tmp_path: Path) -> None:
    plant(tmp_path, "", "")
    assert violations(tmp_path) == []


PLANTED = [
    ("harness/core/bad.py", "from harness.site import reading\n", 1, "core imports harness.site"),
    ("harness/core/bad.py", "import harness.correlate.judge\n", 1, "core imports harness.correlate.judge"),
    ("harness/correlate/bad.py", "from harness import links\n", 1, "correlate imports harness.links"),
    ("harness/correlate/bad.py", "from ..record import schema\n", 1, "correlate imports harness.record"),
    ("harness/correlate/bad.py", "from .. import run\n", 1, "correlate imports harness.run"),
    ("harness/measure/bad.py", "def f():\n    import harness.links.base\n", 2, "measure imports harness.links.base"),
    ("harness/report/bad.py", "from harness.correlate import engine\n", 1, "report imports harness.correlate"),
    ("harness/links/bad.py", "from harness.record import writer\n", 1, "links imports harness.record"),
    ("harness/record/bad.py", "from harness.links import modbus_rtu\n", 1, "record imports harness.links.modbus_rtu"),
    ("harness/run/bad.py", "from harness.cli import main\n", 1, "run imports harness.cli"),
    (
        "harness/site/bad.py",
        "import importlib\nimportlib.import_module('harness.run')\n",
        2,
        "site imports harness.run",
    ),
    ("harness/__init__.py", "from harness.core import model\n", 1, "__init__ imports harness.core.model"),
    ("harness/core/bad.py", "import asyncio\n", 1, "core imports asyncio"),
    ("harness/core/bad.py", "import socket\n", 1, "core imports socket"),
    ("harness/correlate/bad.py", "from time import monotonic_ns\n", 1, "correlate imports time"),
    ("harness/correlate/bad.py", "from datetime import datetime\n", 1, "correlate imports datetime"),
    ("harness/measure/bad.py", "import logging\n", 1, "measure imports logging"),
    ("harness/measure/bad.py", "import structlog\n", 1, "measure imports structlog"),
    ("harness/correlate/bad.py", "from pathlib import Path\n", 1, "correlate imports pathlib"),
    ("harness/core/bad.py", "import os.path\n", 1, "core imports os.path"),
    ("harness/correlate/bad.py", "def f():\n    return open('x')\n", 2, "correlate calls open"),
    ("harness/measure/bad.py", "print('x')\n", 1, "measure calls print"),
    ("harness/run/bad.py", "def f():\n    print('x')\n", 2, "run prints"),
    ("harness/report/bad.py", "import sys\nsys.stdout.write('x')\n", 2, "report writes to sys.stdout"),
    ("harness/strange/bad.py", "", 1, "package strange has no rule"),
    ("sims/bad.py", "from harness.core import model\n", 1, "sims imports harness.core.model"),
    ("sims/bad.py", "import harness\n", 1, "sims imports harness"),
    (
        "sims/bad.py",
        "from importlib import import_module\nimport_module('harness.core')\n",
        2,
        "sims imports harness.core",
    ),
]


@pytest.mark.parametrize(("name", "source", "line", "what"), PLANTED)
def test_a_planted_violation_is_caught(tmp_path: Path, name: str, source: str, line: int, what: str) -> None:
    """Each rule, broken once; nothing else in the tree is blamed."""
    (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
    plant(tmp_path, name, source)
    assert violations(tmp_path) == [f"{name}:{line}: {what}"]


def test_the_command_line_may_print(tmp_path: Path) -> None:
    plant(tmp_path, "harness/cli/good.py", "import sys\nprint('x')\nsys.stderr.write('x')\n")
    assert violations(tmp_path) == []
