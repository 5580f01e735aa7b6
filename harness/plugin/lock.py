"""One device is tested by one process at a time: whoever comes second is told who was first."""

from __future__ import annotations

import hashlib
import os
import sys
import tempfile
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from harness.core.errors import SafetyError
from harness.core.wording import link_address

if TYPE_CHECKING:
    from harness.core.model import Site


class DeviceLock:
    """Held from :meth:`take` until :meth:`release`, or until the process ends, however it does.

    Of this computer and this user alone: two computers know nothing of each other, and the device has to refuse one.
    """

    def __init__(self, site: Site) -> None:
        written = {it.link for it in site.writable} | set(site.acknowledgeable)
        self._site = site.name
        self._path = _path([site.name, *sorted(link_address(site.links[name]) for name in written)])
        self._file: TextIO | None = None

    def take(self, who: str) -> None:
        """``who``: in words for whoever comes second. SafetyError where it is taken."""
        file = self._path.open("a+", encoding="utf-8")
        if not _locked(file):
            with file:
                file.seek(0)
                first = file.read().strip() or "another process"
            raise SafetyError(
                f"site={self._site}: {first} tests it now, and one device cannot be tested by two at once: they would "
                "take each other's alarms for their own. With pytest-xdist give --dist loadgroup, so that one worker "
                "gets all tests of the site; else wait until the other run has ended"
            )
        file.truncate(0)
        file.write(who)
        file.flush()
        self._file = file

    def release(self) -> None:
        """May be called where it is not held."""
        if self._file is not None:
            self._file.truncate(0)
            self._file.close()
            self._file = None


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
