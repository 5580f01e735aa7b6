"""One device, one process at a time."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from harness.core.errors import SafetyError
from harness.plugin.lock import DeviceLock
from harness.site.profiles import profiles_folder
from harness.site.reading import load_site


@pytest.fixture
def locks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[DeviceLock, DeviceLock]:
    """Two of one site, as two processes would have them: each opens the file for itself."""
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    site, _ = load_site(profiles_folder() / "demo" / "site.yaml")
    return DeviceLock(site), DeviceLock(site)


def test_the_second_is_told_who_was_first(locks: tuple[DeviceLock, DeviceLock]) -> None:
    first, second = locks
    first.take("pytest in /ashby")
    with pytest.raises(SafetyError, match="site=hollowmere: pytest in /ashby tests it now, and one device cannot be"):
        second.take("pytest in /byfield")
    first.release()
    second.take("pytest in /byfield")
    second.release()
    second.release()


def test_workers_of_one_run_take_turns_and_those_of_another_are_refused(locks: tuple[DeviceLock, DeviceLock]) -> None:
    first, second = locks
    first.take("worker gw0", "run 1", 60)
    with pytest.raises(SafetyError, match="worker gw0 tests it now"):
        second.take("worker gw0 of another run", "run 2", 60)
    turns: list[str] = []

    def wait_for_turn() -> None:
        second.take("worker gw1", "run 1", 60)
        turns.append("gw1")
        second.release()

    waiting = threading.Thread(target=wait_for_turn)
    waiting.start()
    turns.append("gw0")
    first.release()
    waiting.join()
    assert turns == ["gw0", "gw1"]


def test_a_turn_that_does_not_come_is_not_waited_for_without_end(locks: tuple[DeviceLock, DeviceLock]) -> None:
    first, second = locks
    first.take("worker gw0", "run 1", 60)
    with pytest.raises(SafetyError, match="worker gw0 tests it now"):
        second.take("worker gw1", "run 1", 0)
    first.release()


def test_a_link_in_its_place_is_not_followed(locks: tuple[DeviceLock, DeviceLock], tmp_path: Path) -> None:
    """Whoever may write to the folder could have anything emptied by it."""
    precious = tmp_path / "precious"
    precious.write_text("kept", encoding="utf-8")
    first, _ = locks
    first._path.symlink_to(precious)
    with pytest.raises(SafetyError, match=r"cannot be opened: .*; by it, two runs that test one device know"):
        first.take("pytest")
    assert precious.read_text(encoding="utf-8") == "kept"
