"""Ports that nobody uses now, for what cannot be told to take any.

Not of those that the system gives out by itself (from 32768 on, ip(7)): one of these may be taken by somebody else
before it is used. Each process of a test run has a range of its own.
"""

from __future__ import annotations

import os
import socket
from itertools import count
from typing import Final

_PER_PROCESS: Final = 1000
_WORKER: Final = int(os.environ.get("PYTEST_XDIST_WORKER", "gw0").removeprefix("gw") or 0) % 10
_NEXT: Final = count()


def free_tcp_port() -> int:
    """A TCP port of 127.0.0.1 that nobody listens to now."""
    return _free_port(socket.SOCK_STREAM)


def free_udp_port() -> int:
    """A UDP port of 127.0.0.1 that nobody uses now."""
    return _free_port(socket.SOCK_DGRAM)


def _free_port(kind: socket.SocketKind) -> int:
    for _ in range(_PER_PROCESS):
        port = 20_000 + _WORKER * _PER_PROCESS + (os.getpid() + next(_NEXT)) % _PER_PROCESS
        with socket.socket(socket.AF_INET, kind) as one:
            try:
                one.bind(("127.0.0.1", port))
            except OSError:
                continue
            return port
    raise AssertionError("no port is free")
