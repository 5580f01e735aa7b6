"""Why a connection came to nothing, in the words of the operating system; real calls that fail."""

from __future__ import annotations

import asyncio
import socket
import ssl
from pathlib import Path

import pytest

from harness.links.os_reasons import os_reason


def test_a_refused_connection_is_told_by_the_system_and_not_by_the_call() -> None:
    async def connect() -> None:
        with socket.socket() as nobody:
            nobody.bind(("127.0.0.1", 0))  # taken, and not listened on
            await asyncio.get_running_loop().create_connection(asyncio.Protocol, *nobody.getsockname())

    with pytest.raises(OSError, match="Connect call failed") as caught:
        asyncio.run(connect())
    assert os_reason(caught.value) == "Connection refused"


def test_a_file_that_is_not_there() -> None:
    with pytest.raises(OSError, match="no-such-port") as caught, Path("/dev/no-such-port").open("rb"):
        pass
    assert os_reason(caught.value) == "No such file or directory"


@pytest.mark.parametrize(
    ("error", "told"),
    [
        (socket.gaierror(socket.EAI_NONAME, "Name or service not known"), "Name or service not known"),
        (ssl.SSLCertVerificationError(1, "certificate verify failed"), "certificate verify failed"),
        (OSError("Multiple exceptions: a, b"), "Multiple exceptions: a, b"),
        (OSError(99_999, "a text of its own"), "a text of its own"),
    ],
)
def test_what_has_no_number_of_this_system_keeps_its_own_text(error: OSError, told: str) -> None:
    assert os_reason(error) == told
