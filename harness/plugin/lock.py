"""One device is tested by one process at a time: whoever comes second is told who was first."""

from __future__ import annotations

import hashlib
import os
import sys
import tempfile
import time
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Final, TextIO

from harness.core.errors import SafetyError
from harness.core.wording import link_address

if TYPE_CHECKING:
    from harness.core.model import Site


AGAIN_S: Final = 0.05
"""How often whoever waits for a turn looks whether it is there: quicker than any link connects."""


class DeviceLock:
    """Held from :meth:`take` until :meth:`release`, or until the process ends, however it does.

    Of this computer and this user alone: two computers know nothing of each other, and the device has to refuse one.
    """

    def __init__(self, site: Site) -> None:
        written = {it.link for it in site.writable} | set(site.acknowledgeable)
        self._site = site.name
        self._path = _path([site.name, *sorted(link_address(site.links[name]) for name in written)])
        self._file: TextIO | None = None

    def take(self, who: str, run: str = "", wait_s: float = 0) -> None:
        """``who``: in words for whoever comes second. SafetyError where it is taken.

        ``run``: what processes of one test run have in common; they take turns, and wait for each other for ``wait_s``.
        """
        try:
            file = open(self._path, "a+", encoding="utf-8", opener=_opened)  # noqa: SIM115  # it is held open
        except OSError as exc:
            raise SafetyError(
                f"{self._path}: cannot be opened: {exc.strerror}; by it, two runs that test one device know of each "
                "other: remove it, or set TMPDIR to a folder that can be written"
            ) from exc
        until = time.monotonic() + wait_s
        while not _locked(file):
            file.seek(0)
            theirs, _, first = file.read().partition("\n")
            is_ours = theirs in (run, "")  # it says nothing for as long as it is being written
            if not run or not is_ours or time.monotonic() >= until:
                file.close()
                raise SafetyError(
                    f"site={self._site}: {first.strip() or 'another process'} tests it now, and one device cannot be "
                    "tested by two at once: they would take each other's alarms for their own. Workers of pytest-xdist "
                    "take turns with --farend-scope function; with another scope give --dist loadfile, and keep the "
                    "tests of the site in one file. Another run has to end first"
                )
            time.sleep(AGAIN_S)
        file.truncate(0)
        file.write(f"{run}\n{who}")
        file.flush()
        self._file = file

    def release(self) -> None:
        """May be called where it is not held."""
        if self._file is not None:
            self._file.truncate(0)
            self._file.close()
            self._file = None


def _opened(path: str, flags: int) -> int:
    """In a folder that everybody may write to, no link to somebody else's file is followed."""
    return os.open(path, flags | getattr(os, "O_NOFOLLOW", 0), 0o600)


def _path(parts: Iterable[str]) -> Path:
    user = os.getuid() if hasattr(os, "getuid") else 0
    digest = hashlib.sha256("\n".join(parts).encode()).hexdigest()[:16]
    return Path(tempfile.gettempdir()) / f"farend-{user}-{digest}.lock"


if sys.platform == "win32":
    import msvcrt

    def _locked(file: TextIO) -> bool:
        file.seek(0)
        try:
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True

else:
    import fcntl

    def _locked(file: TextIO) -> bool:
        try:
            fcntl.flock(file.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            return False
        return True
