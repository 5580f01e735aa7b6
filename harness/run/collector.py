"""Python's garbage collector while links are listened to: its rounds over all that was loaded are blind time."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def heap_at_rest() -> Iterator[None]:
    """Within, the collector leaves alone what exists now: modules, protocol stacks, the site.

    A full round over them holds up every thread, and so the event loop, for 25 to 50 ms (a BACnet stack alone brings
    200,000 objects along); over what comes into being while listening it takes less than a millisecond.
    """
    gc.freeze()
    try:
        yield
    finally:
        gc.unfreeze()
