"""A serial line without hardware: pseudo-terminals joined by a thread that hands every byte on."""

from __future__ import annotations

import os
import select
import threading
import tty
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def wire(ends: int) -> Iterator[list[str]]:
    """The ports of a line with so many ends: what one sends, all others hear, as on RS-485."""
    pairs = [os.openpty() for _ in range(ends)]
    devices = [device for device, _ in pairs]
    for device, port in pairs:
        tty.setraw(port)
        os.set_blocking(device, False)
    stop_r, stop_w = os.pipe()

    def carry() -> None:
        while True:
            ready, _, _ = select.select([stop_r, *devices], [], [])
            if stop_r in ready:
                return
            for one in ready:
                data = os.read(one, 4096)
                for other in devices:
                    if other != one:
                        os.write(other, data)

    thread = threading.Thread(target=carry, name="wire")
    thread.start()
    try:
        yield [os.ttyname(port) for _, port in pairs]
    finally:
        os.write(stop_w, b".")
        thread.join()
        for one in (*devices, *(port for _, port in pairs), stop_r, stop_w):
            os.close(one)
