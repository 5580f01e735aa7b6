"""What holds for all tests: Ctrl-C works in them and in what they start, however they were started themselves."""

from __future__ import annotations

import signal

if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    # A shell ignores Ctrl-C for what it starts in the background, and a started program inherits that.
    signal.signal(signal.SIGINT, signal.default_int_handler)
