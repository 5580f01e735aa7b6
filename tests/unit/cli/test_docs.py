"""The documents say what the commands do: every command, option and exit code, and nothing that is not there."""

from __future__ import annotations

import json
import re
import shlex
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import check_jsonschema
import click
import pytest
import yaml

import harness
from harness.cli import COMMANDS, EPILOG, cli
from harness.core.verdicts import ExitCode, Verdict
from sims.__main__ import _parser

ROOT = Path(__file__).parents[3]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
HEAVY = ("numpy", "rich", "jinja2", "pymodbus", "openpyxl", "serialx", "structlog", "yaml")


def command(name: str) -> click.Command:
    found = cli.get_command(click.Context(cli), name)
    assert found is not None, name
    return found


def options_of(name: str) -> dict[str, int]:
    """Every option that a command takes, and how many values come behind it."""
    if name == "sim":
        actions = _parser()._actions
        return {text: 0 if action.nargs == 0 else 1 for action in actions for text in action.option_strings}
    found = {"-h": 0, "--help": 0}
    for param in command(name).params:
        if isinstance(param, click.Option):
            found |= dict.fromkeys([*param.opts, *param.secondary_opts], 0 if param.is_flag or param.count else 1)
    return found


def shell_lines(text: str) -> Iterator[str]:
    """Every line of every fenced block, without comments and trailing white space."""
    for block in re.findall(r"^```[a-z]*\n(.*?)^```", text, re.MULTILINE | re.DOTALL):
        yield from (line.split("  #")[0].strip() for line in block.splitlines() if line.strip())


def farend_calls(text: str) -> list[list[str]]:
    """The words behind ``farend`` of every call in fenced blocks and in code spans."""
    spans = re.findall(r"`(farend [^`]*)`", text)
    parts = [part.strip() for line in (*shell_lines(text), *spans) for part in re.split(r"&&|\|", line)]
    calls = [shlex.split(part) for part in parts]
    return [words[1:] for words in calls if words and Path(words[0]).name == "farend" and len(words) > 1]


CALLS = [call for text in (README, DEVELOPERS) for call in farend_calls(text) if call[0] != "COMMAND"]


def test_the_calls_are_found() -> None:
    assert len(CALLS) > 15
    assert ["demo"] in CALLS
    assert ["test", "site.yaml", "--arm", "hollowmere", "--only", "bulk-a.*", "--link", "bms"] in CALLS


@pytest.mark.parametrize("call", CALLS, ids=" ".join)
def test_every_call_in_the_documents_is_understood(call: list[str]) -> None:
    name, *rest = call
    assert name in COMMANDS
    known = options_of(name)
    used = [word.split("=")[0] for word in rest if word.startswith("-")]
    assert [option for option in used if option not in known] == []
    if name != "sim" and rest:
        command(name).make_context(name, list(rest), parent=click.Context(cli))  # UsageError where it does not fit


def test_options_named_in_the_text_exist() -> None:
    everywhere = {option for name in COMMANDS for option in options_of(name)}
    foreign = {"--no-index", "--find-links", "--strict", "--check", "--junitxml"}  # of pip, mypy, ruff and pytest
    hooks = (ROOT / "harness/plugin/hooks.py").read_text(encoding="utf-8")
    everywhere |= set(re.findall(r'"(--farend-[a-z-]+)"', hooks))
    told = set(re.findall(r"(?<![\w-])(--[a-z][a-z-]+)", README + DEVELOPERS + EPILOG))
    assert told - everywhere - foreign == set()
    assert told


@pytest.mark.parametrize("name", COMMANDS)
def test_readme_names_every_command(name: str) -> None:
    assert re.search(rf"`(farend )?{name}\b", README), name


@pytest.mark.parametrize("code", ExitCode)
def test_readme_and_help_name_every_exit_code(code: ExitCode) -> None:
    table = dict(re.findall(r"^\| (\d) \| (.+) \|$", README, re.MULTILINE))
    assert set(table) == {str(int(one)) for one in ExitCode}
    assert re.search(rf"\b{int(code)} [a-z]", EPILOG), code
    told = ("all pass", "failed", "usage", "unknown", "refused", "not restored")
    assert told[code] in table[str(int(code))]
    assert told[code] in EPILOG


def test_readme_names_every_verdict_in_its_class() -> None:
    rows = dict(re.findall(r"^\| (pass|fail|unknown) \| (.+) \|$", README, re.MULTILINE))
    for verdict in Verdict:
        assert f"`{verdict.value}`" in rows[verdict.verdict_class.value], verdict
    named = {word for row in rows.values() for word in re.findall(r"`([a-z-]+)`", row)}
    assert named == {verdict.value for verdict in Verdict}


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_and_option_explains_itself(name: str) -> None:
    if name == "sim":
        assert all(action.help for action in _parser()._actions)
    one = command(name)
    assert one.name == name
    assert one.help
    assert one.help[0].isupper()
    assert one.short_help
    assert COMMANDS[name].endswith(".")
    silent = [param.name for param in one.params if isinstance(param, click.Option) and not (param.help or "").strip()]
    assert silent == []
    unnamed = [
        param.human_readable_name
        for param in one.params
        if isinstance(param, click.Argument) and name != "sim" and param.human_readable_name not in one.help
    ]
    assert unnamed == [], "the help of a command says what each argument is"


@pytest.mark.parametrize("name", [name for name in COMMANDS if name not in ("sim", "completion")])
def test_json_is_on_every_command_that_says_something(name: str) -> None:
    assert "--json" in options_of(name)


def test_the_two_set_up_lines() -> None:
    lines = list(shell_lines(README))
    assert "python3 -m venv .venv && .venv/bin/pip install . && .venv/bin/farend demo" in lines
    assert "python3 -m venv .venv && .venv/bin/pip install -e '.[test]' && .venv/bin/pytest -n auto" in lines


def test_every_file_that_the_documents_name_is_there() -> None:
    links = re.findall(r"\]\(([^)#]+)\)", README + DEVELOPERS)
    named = [link for link in links if "://" not in link]
    named += re.findall(r"`((?:tests|harness|sims|profiles|\.ci)/[\w./-]*)`", README + DEVELOPERS)
    named += re.findall(r"tests/bench/\w+\.py", README)
    assert len(named) > 8
    roots = (ROOT, ROOT / "harness")
    assert [name for name in named if not any((root / name).exists() for root in roots)] == []


def test_developers_names_every_package_of_the_harness() -> None:
    packages = {path.parent.name for path in (ROOT / "harness").glob("*/__init__.py")}
    named = set(re.findall(r"^\| `(\w+)` \|", DEVELOPERS, re.MULTILINE))
    assert named == packages
    modules = set(re.findall(r"`(\w+)`(?= [(,]|[,;]| \()", DEVELOPERS))
    known = {path.stem for path in (ROOT / "harness").rglob("*.py")} | {"causes"}
    told = {word for word in modules if "_" in word}
    assert told - known == set()


def test_the_changelog_begins_with_this_version() -> None:
    text = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
    newest = re.search(r"^## (\S+)", text, re.MULTILINE)
    assert newest is not None
    assert newest[1] == harness.__version__


# --- starting quickly -----------------------------------------------------------------------------


@pytest.mark.parametrize("arguments", [["--help"], ["--version"], ["nonsense"]])
def test_help_loads_nothing_heavy(arguments: list[str]) -> None:
    """Counted in modules, not in milliseconds: the same on every machine."""
    code = (
        f"import sys; sys.argv = ['farend', *{arguments!r}]\n"
        "from harness.cli import main\n"
        "try: main()\n"
        "except SystemExit: pass\n"
        f"loaded = sorted({{name.split('.')[0] for name in sys.modules}} & set({HEAVY!r}))\n"
        "print('loaded:', loaded, file=sys.stderr)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)  # noqa: S603
    assert done.stderr.splitlines()[-1] == "loaded: []"


# --- containers -----------------------------------------------------------------------------------


def compose() -> dict[str, dict[str, dict[str, object]]]:
    loaded: dict[str, dict[str, dict[str, object]]] = yaml.safe_load((ROOT / "docker-compose.yml").read_text("utf-8"))
    return loaded


def test_the_compose_file_fits_the_compose_specification(tmp_path: Path) -> None:
    """The schema of the Compose Specification, as check-jsonschema carries it."""
    assert check_jsonschema.main
    command_ = [sys.executable, "-m", "check_jsonschema", "--builtin-schema", "vendor.compose-spec"]
    done = subprocess.run([*command_, str(ROOT / "docker-compose.yml")], capture_output=True, text=True, check=False)  # noqa: S603
    assert done.returncode == 0, done.stdout + done.stderr
    broken = tmp_path / "docker-compose.yml"
    broken.write_text(json.dumps({"services": {"site": {"comand": ["sim"]}}}), encoding="utf-8")
    done = subprocess.run([*command_, str(broken)], capture_output=True, text=True, check=False)  # noqa: S603
    assert done.returncode == 1, "a check that finds nothing wrong finds nothing"


def test_the_containers_mount_nothing_publish_nothing_and_have_no_rights() -> None:
    services = compose()["services"]
    assert set(services) == {"broker", "site", "watch"}
    strange = {
        "volumes",
        "devices",
        "privileged",
        "cap_add",
        "ports",
        "pid",
        "ipc",
        "userns_mode",
        "secrets",
        "env_file",
    }
    for service in services.values():
        assert strange & set(service) == set()
    assert set(compose()) <= {"name", "networks", "services", "x-farend"}
    assert compose()["networks"]["site"]["internal"] is True, "nothing of it reaches any other network"
    build = compose()["services"]["site"]["build"]
    assert isinstance(build, dict)
    text = str(build["dockerfile_inline"])
    assert "USER farend" in text
    assert not re.search(r"^(ADD|VOLUME)\b|https?://|curl|wget", text, re.MULTILINE)


def test_the_containers_call_commands_that_exist() -> None:
    services = compose()["services"]
    for service in (services["site"], services["watch"]):
        words = service["command"]
        assert isinstance(words, list)
        name, *rest = words
        assert name in COMMANDS
        assert [word for word in rest if word.startswith("-") and word not in options_of(name)] == []
