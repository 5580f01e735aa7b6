"""What a disk holds after a power loss, from the file operations of a real process as strace saw them.

The model is the strict one of POSIX: a write is on the disk only once the file was synced after it, and a name is there
(or gone) only once its folder was. Until then any part may or may not have arrived, in blocks of 512 bytes and in
any order.
"""

from __future__ import annotations

import random
import re
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

SECTOR = 512
_TRACED = (
    "open,openat,creat,close,write,pwrite64,writev,pwritev,pwritev2,ftruncate,truncate,fallocate,fsync,fdatasync,"
    "sync_file_range,unlink,unlinkat,rename,renameat,renameat2,mmap,dup,dup2,dup3,copy_file_range,sendfile"
)
_CALL = re.compile(r"^(\d+) +(\w+)\((.*)\) += (-?\w+)")
_BEGUN = re.compile(r"^(\d+) +(\w+\(.*) <unfinished \.\.\.>$")
_RESUMED = re.compile(r"^(\d+) +<\.\.\. \w+ resumed>(.*)$")
_TEXT = re.compile(r'"((?:\\x[0-9a-f]{2})*)"')


@dataclass(frozen=True)
class Op:
    """One thing done to a file in the folder, or one report of the process (``what`` = "report")."""

    what: str
    name: str = ""
    data: bytes = b""
    number: int = 0


@dataclass(eq=False)
class _File:
    now: bytearray = field(default_factory=bytearray)
    synced: bytes = b""
    pending: list[Op] = field(default_factory=list)


def trace(folder: Path, command: list[str], cwd: Path) -> list[Op]:
    """Run ``command`` under strace and give its operations on files in ``folder``, in the order of their completion."""
    log = folder.parent / "strace.log"
    options = ["-f", "-xx", "-s", "10000000", "-e", f"trace={_TRACED}", "-o", str(log)]
    subprocess.run(["strace", *options, *command], check=True, cwd=cwd, stdout=subprocess.DEVNULL, timeout=100)  # noqa: S603, S607
    return list(_parse(log.read_text("ascii"), folder))


def python_module(module: str, *args: object) -> list[str]:
    return [sys.executable, "-m", module, *map(str, args)]


def _calls(log: str) -> Iterator[tuple[str, str, int]]:
    """(call, arguments, result) in the order of completion; those that failed are left out."""
    begun: dict[str, str] = {}
    for line in log.splitlines():
        if match := _BEGUN.match(line):
            begun[match[1]] = match[2]
            continue
        if match := _RESUMED.match(line):
            line = f"{match[1]} {begun.pop(match[1])}{match[2]}"  # noqa: PLW2901 - one call, told in two parts
        if (match := _CALL.match(line)) and not match[4].startswith("-"):
            yield match[2], match[3], int(match[4], 0)


def _text(args: str) -> bytes:
    match = _TEXT.search(args)
    assert match is not None, args
    return bytes.fromhex(match[1].replace("\\x", ""))


def _parse(log: str, folder: Path) -> Iterator[Op]:
    fds: dict[int, str] = {}
    root = str(folder)
    for call, args, result in _calls(log):
        if call in ("open", "openat", "creat"):
            path = _text(args).decode()
            fds.pop(result, None)
            if path == root:
                fds[result] = "."
            elif path.startswith(root + "/"):
                fds[result] = path.removeprefix(root + "/")
                yield Op("open", fds[result], number=int("O_TRUNC" in args))
        elif call in ("unlink", "unlinkat"):
            path = _text(args).decode()
            if path.startswith(root + "/"):
                yield Op("unlink", path.removeprefix(root + "/"))
        elif call == "write" and args.startswith("1, "):
            yield Op("report", data=_text(args))
        elif call.startswith("rename"):
            assert root not in _text(args).decode(), f"not modelled: {call}({args[:200]}"
        elif (number := _first_number(args)) in fds:
            yield from _of_file(call, args, fds, number)


def _of_file(call: str, args: str, fds: dict[int, str], fd: int) -> Iterator[Op]:
    name = fds[fd]
    if call == "close":
        del fds[fd]
    elif call == "pwrite64":
        yield Op("write", name, _text(args), int(args.rsplit(",", 1)[1]))
    elif call == "ftruncate":
        yield Op("truncate", name, number=int(args.rsplit(",", 1)[1]))
    elif call in ("fsync", "fdatasync"):
        yield Op("sync", name)
    else:
        raise AssertionError(f"not modelled: {call}({args[:200]}) on {name}")


def _first_number(args: str) -> int:
    match = re.match(r"\d+", args)
    return int(match[0]) if match else -1


class Disk:
    """A folder, operation by operation."""

    def __init__(self) -> None:
        self._names: dict[str, _File] = {}
        self._synced_names: dict[str, _File] = {}
        self._pending_names: list[tuple[str, _File | None]] = []

    def apply(self, op: Op) -> None:
        if op.what == "open":
            if op.name not in self._names:
                self._names[op.name] = _File()
                self._pending_names.append((op.name, self._names[op.name]))
            assert not op.number, "O_TRUNC is not modelled"
        elif op.what == "unlink":
            del self._names[op.name]
            self._pending_names.append((op.name, None))
        elif op.what == "sync" and op.name == ".":
            self._synced_names = dict(self._names)
            self._pending_names.clear()
        elif op.what == "sync":
            file = self._names[op.name]
            file.synced = bytes(file.now)
            file.pending.clear()
        elif op.what in ("write", "truncate"):
            file = self._names[op.name]
            _change(file.now, op)
            file.pending.append(op)

    def everything(self) -> dict[str, bytes]:
        """As after a crash of the process alone."""
        return {name: bytes(file.now) for name, file in self._names.items()}

    def synced_only(self) -> dict[str, bytes]:
        """As after a power loss that took all that was not synced."""
        return {name: file.synced for name, file in self._synced_names.items()}

    def synced_and_some(self, chance: random.Random) -> dict[str, bytes]:
        """As after a power loss that took some of it, here and there."""
        names = dict(self._synced_names)
        for name, file in self._pending_names:
            if chance.random() < 0.5:
                if file is None:
                    names.pop(name, None)
                else:
                    names[name] = file
        return {name: _some(file, chance) for name, file in names.items()}


def _some(file: _File, chance: random.Random) -> bytes:
    content = bytearray(file.synced)
    for op in file.pending:
        if op.what == "truncate":
            if chance.random() < 0.5:
                _change(content, op)
            continue
        at = 0
        while at < len(op.data):
            size = SECTOR - (op.number + at) % SECTOR
            if chance.random() < 0.5:
                _change(content, Op("write", data=op.data[at : at + size], number=op.number + at))
            at += size
    return bytes(content)


def _change(content: bytearray, op: Op) -> None:
    if op.what == "truncate":
        del content[op.number :]
        content.extend(bytes(op.number - len(content)))
        return
    if len(content) < op.number:
        content.extend(bytes(op.number - len(content)))
    content[op.number : op.number + len(op.data)] = op.data
