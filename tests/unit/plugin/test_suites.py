"""The plugin in suites of its own, none of which opens anything: what it says, what it leaves alone, what it costs."""

from __future__ import annotations

import textwrap
from pathlib import Path

import pytest

from harness.core.errors import UsageError
from harness.plugin import active, bridge, fixtures, live_site, opened  # once for all suites of this process
from harness.plugin.settings import allowed_of
from harness.run import testing
from harness.site.profiles import profiles_folder

pytest_plugins = ["pytester"]

LOADED = (active, bridge, fixtures, live_site, opened, testing)
"""A module that a suite in this process loads for the first time is thrown away with it, and numpy bears no second."""

INI = """
    [pytest]
    asyncio_mode = auto
    asyncio_default_fixture_loop_scope = function
    filterwarnings = error
    addopts = --strict-markers -p no:cacheprovider -p no:unraisableexception -p no:hypothesispytest -p no:xdist
"""
SITE = profiles_folder() / "demo" / "site.yaml"


@pytest.fixture
def suite(pytester: pytest.Pytester, monkeypatch: pytest.MonkeyPatch) -> pytest.Pytester:
    """A suite without a site, in a log of 120 columns; pytest prints more where it finds itself on a build machine."""
    monkeypatch.setenv("COLUMNS", "120")
    for name in ("CI", "BUILD_NUMBER"):
        monkeypatch.delenv(name, raising=False)
    pytester.makeini(textwrap.dedent(INI))
    return pytester


def with_site(suite: pytest.Pytester, **more: str) -> None:
    """The same with the demo's site, on ports at which nobody is."""
    lines = "\n".join(f"{name} = {value}" for name, value in more.items())
    suite.makeini(f"{textwrap.dedent(INI)}\nfarend_site = {SITE}\n{lines}\n")


def test_a_suite_that_does_not_use_it_pays_nothing_and_sees_nothing(suite: pytest.Pytester) -> None:
    """In a process of its own: what pytest loads of us is one light module."""
    suite.makepyfile(
        """
        import sys

        def test_light(pytestconfig):
            ours = sorted(name for name in sys.modules if name.partition(".")[0] in ("harness", "sims"))
            assert ours == ["harness", "harness.plugin", "harness.plugin.hooks"]
            assert not {"numpy", "jinja2", "yaml", "bacpypes3", "aiomqtt", "serialx", "rich"} & set(sys.modules)
            assert not pytestconfig.pluginmanager.has_plugin("farend-active")
        """
    )
    result = suite.runpytest_subprocess("-p", "no:hypothesispytest", "-p", "no:xdist")
    result.assert_outcomes(passed=1)
    assert "farend:" not in result.stdout.str()


def test_help_shows_every_option_and_ini_setting(suite: pytest.Pytester) -> None:
    told = suite.runpytest_inprocess("--help").stdout.str()
    for name in ("site", "arm", "reviews", "ledger", "inhibited", "standing", "clear-left-open", "only", "link",
                 "allow", "records", "scope", "seed", "who"):  # fmt: skip
        assert f"--farend-{name}" in told
    for name in ("site", "reviews", "ledger", "only", "links", "allow", "records", "scope", "seed"):
        assert f"farend_{name} (" in told


def test_its_fixtures_without_a_site_say_what_is_missing(suite: pytest.Pytester) -> None:
    suite.makepyfile("def test_one(site): ...")
    result = suite.runpytest_inprocess()
    result.assert_outcomes(errors=1)
    result.stdout.fnmatch_lines(["*fixture 'site' not found*", "*no site file is given: --farend-site FILE*"])


def test_alarm_alone_says_what_it_goes_with(suite: pytest.Pytester) -> None:
    with_site(suite)
    suite.makepyfile("def test_one(alarm): ...")
    result = suite.runpytest_inprocess()
    result.assert_outcomes(errors=1)
    result.stdout.fnmatch_lines(["*'alarm' goes through the alarms of a test that asks for 'site' too*"])


def test_turned_off_by_name_nothing_is_left_of_it(suite: pytest.Pytester) -> None:
    suite.makepyfile("def test_one(): ...")
    suite.runpytest_inprocess("-p", "no:farend").assert_outcomes(passed=1)
    assert suite.runpytest_inprocess("-p", "no:farend", "--farend-site", "x").ret is pytest.ExitCode.USAGE_ERROR


def test_the_ini_file_of_the_readme_warns_of_nothing(suite: pytest.Pytester) -> None:
    """pytest-asyncio warns at the start of a run of what is left to a default that is to change."""
    readme = (Path(__file__).parents[3] / "README.md").read_text(encoding="utf-8")
    ini = readme.partition("# pytest.ini\n")[2].partition("```")[0]
    assert "farend_site = " in ini
    suite.makeini(ini)
    suite.makepyfile("async def test_one(): ...")
    result = suite.runpytest_subprocess("-p", "no:hypothesispytest", "-p", "no:cacheprovider", "-p", "no:xdist")
    result.assert_outcomes(passed=1)
    assert "Warning" not in result.stdout.str() + result.stderr.str()


def test_the_word_that_arms_is_never_taken_from_a_file(suite: pytest.Pytester, monkeypatch: pytest.MonkeyPatch) -> None:
    with_site(suite)
    suite.makepyfile("def test_one(): ...")
    monkeypatch.setenv("PYTEST_ADDOPTS", "--farend-arm hollowmere")
    result = suite.runpytest_inprocess()
    assert result.ret is pytest.ExitCode.USAGE_ERROR
    result.stderr.fnmatch_lines(["*--farend-arm hollowmere: it is given by addopts or PYTEST_ADDOPTS*"])
    monkeypatch.delenv("PYTEST_ADDOPTS")
    suite.runpytest_inprocess("--farend-arm", "hollowmere").assert_outcomes(passed=1)


def test_not_armed_and_not_reviewed_every_test_is_refused_with_every_reason(suite: pytest.Pytester) -> None:
    with_site(suite)
    suite.makepyfile("async def test_one(site): raise AssertionError")
    result = suite.runpytest_inprocess()
    result.assert_outcomes(errors=1)
    result.stdout.fnmatch_lines(
        [
            "farend: site=hollowmere: not armed, so nothing is raised; add '--farend-arm*",
            "site.yaml:*: side effect=closes-fill-valve-a *",
        ]
    )
    assert "--farend-reviews" in " ".join(result.stdout.str().split())
    assert "Traceback" not in result.stdout.str()
    assert list((suite.path / "farend-records").glob("*.farend")) == []


def test_a_refusal_is_told_once_and_says_how_to_limit_what_has_to_be_reviewed(suite: pytest.Pytester) -> None:
    with_site(suite)
    suite.makepyfile("import pytest\n@pytest.mark.parametrize('n', range(10))\nasync def test_all(site, n): ...")
    result = suite.runpytest_inprocess()
    result.assert_outcomes(errors=10)
    out = result.stdout.str()
    first = "test_a_refusal_is_told_once_and_says_how_to_limit_what_has_to_be_reviewed.py::test_all[0]"
    flat = " ".join(out.split())
    assert out.count("side effect=closes-fill-valve-a ") == 1
    assert flat.count(f"farend: refused as before: see {first} ") == 9
    assert flat.count("--farend-only, limits it to those that the suite raises") == 1
    with_site(suite, farend_only="bulk-a.high-high")
    limited = suite.runpytest_inprocess().stdout.str()
    assert "side effect=closes-fill-valve-a " in limited
    assert "farend_only is not set" not in limited
    assert len(limited.splitlines()) < len(out.splitlines())


def test_a_site_file_that_is_wrong_is_an_error_with_its_line(suite: pytest.Pytester) -> None:
    suite.makeini(f"{textwrap.dedent(INI)}\nfarend_site = broken.yaml\n")
    (suite.path / "broken.yaml").write_text("site: x\nlinks: {a: {modbus-tcp: 1.2.3.4, poll evry: 1 s}}\n")
    suite.makepyfile("async def test_one(site): ...")
    result = suite.runpytest_inprocess()
    result.assert_outcomes(errors=1)
    result.stdout.fnmatch_lines(["*broken.yaml:2: *poll evry*"])
    suite.makepyfile("async def test_one(site, alarm): ...")
    result = suite.runpytest_inprocess()
    assert result.ret is pytest.ExitCode.INTERRUPTED
    result.stdout.fnmatch_lines(["farend: broken.yaml:1: *", "broken.yaml:2: poll evry: *did you mean poll every?"])


@pytest.mark.parametrize(
    ("arguments", "ini", "message"),
    [
        (("-p", "no:asyncio"), {}, "*pip install 'farend[[]pytest[]]'*"),
        ((), {"asyncio_mode": "strict"}, "*mark it with @pytest.mark.asyncio*"),
    ],
)
def test_a_test_that_nobody_would_await_says_so_and_opens_nothing(
    suite: pytest.Pytester, arguments: tuple[str, ...], ini: dict[str, str], message: str
) -> None:
    text = textwrap.dedent(INI)
    if arguments:
        text = "\n".join(line for line in text.splitlines() if "asyncio" not in line)
    for name, value in ini.items():
        text = text.replace(f"{name} = auto", f"{name} = {value}")
    suite.makeini(f"{text}\nfarend_site = {SITE}\n")
    suite.makepyfile("async def test_one(site): ...")
    result = suite.runpytest_inprocess(*arguments)
    result.assert_outcomes(errors=1)
    result.stdout.fnmatch_lines([message])
    assert not (suite.path / "farend-records").exists()


def test_alarm_goes_through_every_alarm_that_is_selected(suite: pytest.Pytester) -> None:
    with_site(suite, farend_only="bulk-a.* day.low")
    suite.makepyfile(
        """
        import pytest

        async def test_every(site, alarm): ...

        @pytest.mark.farend(only=["*.low"])
        async def test_few(site, alarm): ...
        """
    )
    told = suite.runpytest_inprocess("--collect-only", "-q").stdout.str()
    assert "test_every[bulk-a.high-high]" in told
    assert "test_every[day.low]" in told
    assert "day.high" not in told
    assert [line.partition("::")[2] for line in told.splitlines() if "few" in line] == [
        "test_few[bulk-a.low]", "test_few[day.low]",
    ]  # fmt: skip


def test_a_pattern_that_fits_nothing_tests_nothing_silently(suite: pytest.Pytester) -> None:
    with_site(suite)
    suite.makepyfile(
        """
        import pytest

        @pytest.mark.farend(only="bulk-c.*")
        async def test_few(site, alarm): ...
        """
    )
    result = suite.runpytest_inprocess("--farend-link", "annunciator", "--farend-only", "*.delivery-due")
    assert result.ret is pytest.ExitCode.INTERRUPTED, "an empty list of parameters would be skipped without a word"
    result.stdout.fnmatch_lines(["*nothing is selected: no row of the point map fits --farend-only and*"])
    result = suite.runpytest_inprocess()
    assert result.ret is pytest.ExitCode.INTERRUPTED
    result.stdout.fnmatch_lines(["farend: @pytest.mark.farend: only=bulk-c.[*]: fits no alarm; alarms are bulk-a*"])
    result.stdout.no_fnmatch_line("*active.py*")


def test_an_alarm_fixture_or_parameter_of_the_suite_stays_its_own(suite: pytest.Pytester) -> None:
    with_site(suite)
    suite.makepyfile(
        """
        import pytest

        class TestTheirs:
            @pytest.fixture
            def site(self): return "theirs"

            @pytest.fixture
            def alarm(self): return "own"

            def test_fixture(self, site, alarm): assert (site, alarm) == ("theirs", "own")

        @pytest.mark.parametrize("alarm", ["a", "b"])
        def test_parameter(alarm): assert alarm in "ab"
        """
    )
    suite.runpytest_inprocess().assert_outcomes(passed=3)


@pytest.mark.parametrize(
    ("name", "value", "message"),
    [
        ("farend_scope", "class", "farend_scope=class: expected function, module, session"),
        ("farend_seed", "x", "farend_seed=x: expected a whole number"),
    ],
)
def test_a_setting_that_cannot_be_meant(suite: pytest.Pytester, name: str, value: str, message: str) -> None:
    with_site(suite, **{name: value})
    result = suite.runpytest_inprocess()
    assert result.ret is pytest.ExitCode.USAGE_ERROR
    result.stderr.fnmatch_lines([f"*{message}*"])


@pytest.mark.parametrize("within", [1, 0.5, "1", "soon", "-1 s"])
def test_a_time_without_its_unit_is_none(within: object) -> None:
    with pytest.raises(
        UsageError, match=f"within={within!r}".replace("'", "") if isinstance(within, str) else "within="
    ) as raised:
        live_site._ns("within", within)  # type: ignore[arg-type]
    assert raised.value.__suppress_context__ or raised.value.__context__ is None, "nothing but the message is shown"


def test_times_are_texts() -> None:
    assert live_site._ns("within", "1 s") == 1_000_000_000
    assert live_site._ns("within", "250 ms") == 250_000_000
    assert live_site._ns("within", None) is None


def test_a_fail_cannot_be_allowed() -> None:
    """Nor a word that is no verdict; whoever reads the suite later would take it for allowed."""
    assert allowed_of("not-run", "allow") == {"not-run"}
    assert allowed_of(["masked", "unresolved"], "allow") == {"masked", "unresolved"}
    for name in ("late", "on-time", "unknown", ""):
        with pytest.raises(UsageError, match=f"allow={name}: only an unknown verdict can be allowed: not-observed"):
            allowed_of([name], "allow")
