"""What was asked for on the command line and in the ini file, and what a session is made of by it."""

from __future__ import annotations

import getpass
import os
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from harness.plugin.hooks import SCOPES

if TYPE_CHECKING:
    from harness.core.model import Site
    from harness.run.testing import TestOptions


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """As they were given; the files are read when a session is opened."""

    site: Path
    arm: str | None
    reviews: Path | None
    ledger: Path | None
    inhibited: tuple[str, ...]
    standing: tuple[str, ...]
    clear_left_open: bool
    only: tuple[str, ...]
    links: tuple[str, ...]
    allow: tuple[str, ...]
    records: Path
    scope: str
    seed: int
    who: str
    command: tuple[str, ...]


def settings_of(config: pytest.Config) -> Settings:
    """Those of the command line go before those of the ini file. pytest.UsageError for what cannot be meant."""
    scope = config.getoption("farend_scope") or config.getini("farend_scope")
    if scope not in SCOPES:
        raise pytest.UsageError(f"farend_scope={scope}: expected {', '.join(SCOPES)}")
    seed = config.getoption("farend_seed")
    if seed is None:
        text = str(config.getini("farend_seed"))
        if not text.isdecimal():
            raise pytest.UsageError(f"farend_seed={text}: expected a whole number")
        seed = int(text)
    site = _path(config, "farend_site")
    if site is None:
        raise pytest.UsageError("--farend-site: no site file is given")
    return Settings(
        site=site / "site.yaml" if site.is_dir() else site,
        arm=_arm(config),
        reviews=_path(config, "farend_reviews"),
        ledger=_path(config, "farend_ledger"),
        inhibited=tuple(config.getoption("farend_inhibited")),
        standing=tuple(config.getoption("farend_standing")),
        clear_left_open=bool(config.getoption("farend_clear_left_open")),
        only=_words(config, "farend_only", "farend_only"),
        links=_words(config, "farend_link", "farend_links"),
        allow=_words(config, "farend_allow", "farend_allow"),
        records=_path(config, "farend_records", config.rootpath) or config.rootpath / "farend-records",
        scope=scope,
        seed=seed,
        who=config.getoption("farend_who") or _user(),
        command=("pytest", *map(str, config.invocation_params.args)),
    )


def _arm(config: pytest.Config) -> str | None:
    """The word that arms. pytest.UsageError where it was not typed with this very command.

    A worker of pytest-xdist gets it from the process that was told it, which has looked already.
    """
    word: str | None = config.getoption("farend_arm")
    typed = any(str(it).startswith("--farend-arm") for it in config.invocation_params.args)
    if word is not None and not typed and not hasattr(config, "workerinput"):
        raise pytest.UsageError(
            f"--farend-arm {word}: it is given by addopts or PYTEST_ADDOPTS, so that every pytest would raise alarms; "
            "take it out there, and give it on the command line when alarms are to be raised"
        )
    return word


def _path(config: pytest.Config, name: str, base: Path | None = None) -> Path | None:
    """From where it was given: the folder of the command, or that of the ini file (or ``base``)."""
    given = config.getoption(name)
    if given:
        return config.invocation_params.dir / str(given)
    written = config.getini(name)
    if not written:
        return None
    return (base or (config.inipath.parent if config.inipath is not None else config.rootpath)) / str(written)


def _words(config: pytest.Config, option: str, ini: str) -> tuple[str, ...]:
    return tuple(config.getoption(option)) or tuple(config.getini(ini))


def _user() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):  # a container without an entry for its user
        return f"user {os.getuid()}" if hasattr(os, "getuid") else ""


def options_of(settings: Settings, site: Site, record: Path, seed: int, what: str) -> TestOptions:
    """What a session is started with. ``what``: the test, or module, that it is for.

    SafetyError, UsageError or SiteError with what is wrong in a file that was given, or is left to be decided.
    """
    from harness.core.errors import UsageError
    from harness.results.ledger import ledger_beside
    from harness.run.clearing_left import decided
    from harness.run.gate import read_reviews
    from harness.run.order import Selection
    from harness.run.standing import known_to_stand
    from harness.run.testing import TestOptions

    ledger = settings.ledger
    if ledger is not None and not ledger.is_file():
        raise UsageError(f"--farend-ledger {ledger}: there is no such file; 'farend ledger' makes it")
    if ledger is None:
        beside = ledger_beside(settings.site.parent, site.name)
        ledger = beside if beside.is_file() or site.notices else None
    return TestOptions(
        record=record,
        selection=Selection(only=settings.only, links=settings.links),
        arm=settings.arm,
        reviews=None if settings.reviews is None else read_reviews(settings.reviews),
        who=settings.who,
        seed=seed,
        stepwise=True,
        standing=known_to_stand(settings.standing, "--farend-standing"),
        ledger=ledger,
        inhibited=settings.inhibited,
        to_clear=decided(
            site,
            record.parent,
            "--farend-clear-left-open",
            clear=settings.clear_left_open,
            is_armed=settings.arm == site.name,
        ),
        command=(*settings.command, f"for {what}"),
    )


def allowed_of(names: Iterable[str], where: str) -> frozenset[str]:
    """Names of unknown verdicts. UsageError for anything else: a fail is never allowed."""
    from harness.core.errors import UsageError
    from harness.core.verdicts import Verdict, VerdictClass

    __tracebackhide__ = True  # the line of the test is what is wrong
    unknown = [it.value for it in Verdict if it.verdict_class is VerdictClass.UNKNOWN]
    found = frozenset(str(name) for name in ((names,) if isinstance(names, str) else names))
    for name in sorted(found - set(unknown)):
        raise UsageError(f"{where}={name}: only an unknown verdict can be allowed: {', '.join(unknown)}")
    return found
