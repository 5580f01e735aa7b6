"""Why the operating system did not do something, in its own words."""

from __future__ import annotations

import os
import socket
import ssl
from typing import Final

_UNKNOWN: Final = "Unknown error"


def os_reason(exc: OSError) -> str:
    """``Connection refused``: the text of the error number, without the name of the call that asyncio puts instead.

    What has no number of this system (a name that is not found, TLS, several addresses of one host) keeps its own text.
    """
    own = str(exc.strerror or exc)
    if isinstance(exc, socket.gaierror | ssl.SSLError) or exc.errno is None:  # numbers of their own
        return own
    told = os.strerror(exc.errno)
    return own if told.startswith(_UNKNOWN) else told
