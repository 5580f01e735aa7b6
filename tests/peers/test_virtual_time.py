"""The loop in virtual time does what it says: jumps over waiting, and over nothing else."""

from __future__ import annotations

import asyncio
import os
import time

from tests.peers.virtual_time import START_NS, run


def test_waiting_takes_no_time_and_is_exact() -> None:
    async def main() -> int:
        await asyncio.sleep(3600)
        return time.monotonic_ns()

    assert run(main) == START_NS + 3600 * 10**9, "and the test's own time-out is far below an hour"


def test_what_is_on_a_socket_is_read_before_time_passes() -> None:
    async def main() -> list[int]:
        heard: list[int] = []

        async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            while data := await reader.read(100):
                writer.write(data)
            writer.close()

        server = await asyncio.start_server(serve, "127.0.0.1", 0)
        reader, writer = await asyncio.open_connection(*server.sockets[0].getsockname())
        for _ in range(100):
            writer.write(b"x")
            await reader.readexactly(1)
            heard.append(time.monotonic_ns())
            await asyncio.sleep(1)
        writer.close()
        await writer.wait_closed()
        server.close()
        await server.wait_closed()
        return heard

    assert run(main) == [START_NS + number * 10**9 for number in range(100)]


def test_a_thread_at_work_holds_the_clock() -> None:
    async def main() -> tuple[int, int]:
        async with asyncio.TaskGroup() as group:
            group.create_task(asyncio.sleep(5))
            before = time.monotonic_ns()
            await asyncio.to_thread(time.sleep, 0.05)
            after = time.monotonic_ns()
        return after - before, time.monotonic_ns() - before

    assert run(main) == (0, 5 * 10**9)


def test_a_pty_is_as_good_as_a_socket() -> None:
    async def main() -> list[int]:
        near, far = os.openpty()
        loop, came = asyncio.get_running_loop(), asyncio.Queue[int]()
        loop.add_reader(far, lambda: came.put_nowait(len(os.read(far, 100)) and time.monotonic_ns()))
        heard = []
        for _ in range(50):
            os.write(near, b"line\n")
            heard.append(await came.get())
            await asyncio.sleep(1)
        loop.remove_reader(far)
        os.close(near)
        os.close(far)
        return heard

    assert run(main) == [START_NS + number * 10**9 for number in range(50)]
