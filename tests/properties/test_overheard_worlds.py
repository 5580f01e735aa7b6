"""A bus with a master, drawn at random: what is overheard is what was answered to that very request, and when."""

from __future__ import annotations

from random import Random

from harness.core.instants import NS_PER_MS
from harness.core.places import Table
from harness.links.modbus_pdu import ReadRequest
from harness.links.modbus_rtu_frames import request_frame, with_crc
from harness.links.modbus_rtu_overhear import Heard, Overhearer

MS = NS_PER_MS
TIMEOUT, QUIET, DELAY = 300 * MS, 100 * MS, 20 * MS
SEAMLESS = {9 * answers + 8 * requests for answers in range(1, 6) for requests in range(1, 6)}
READS = [
    ReadRequest(unit=unit, table=Table.HOLDING_REGISTER, address=address, count=2)
    for unit in (1, 2)
    for address in (0, 10, 20, 30)
]


def stream(draw: Random, *, is_noisy: bool) -> tuple[list[tuple[int, bytes]], dict[bytes, tuple[ReadRequest, int]]]:
    """Frames as they end on the line, and for each payload its request and when its value was true.

    Requests without an answer, answers that are torn, noise between frames, and the master's repetitions.
    """
    at, number = 0, 0
    frames: list[tuple[int, bytes]] = []
    truth: dict[bytes, tuple[ReadRequest, int]] = {}
    while number < 60:
        request = draw.choice(READS)
        for _ in range(draw.choice((1, 1, 1, 3))):
            number += 1
            at += 10 * MS
            frames.append((at, request_frame(request)))
            at += draw.randint(1, 5) * MS
            payload = number.to_bytes(4, "big")
            truth[payload] = (request, at)
            answer = with_crc(bytes((request.unit, request.function, 4)) + payload)
            at += 10 * MS
            kind = draw.random()
            if kind < 0.12:
                at += TIMEOUT + QUIET + DELAY + 50 * MS  # never answered, and the master waits long enough
            elif kind < 0.2:
                torn = bytearray(answer)
                torn[draw.randrange(len(torn))] ^= 1 << draw.randrange(8)
                frames.append((at, bytes(torn)))
            else:
                frames.append((at, answer))
            if is_noisy and draw.random() < 0.1:
                frames.append((at + MS, draw.randbytes(draw.randint(1, 6))))
            at += draw.randint(3, 30) * MS
    return frames, truth


def heard_of(draw: Random, frames: list[tuple[int, bytes]], loss: float) -> list[Heard]:
    """The stream as it comes in: cut anywhere, late by up to what an adapter may take, with pieces lost."""
    overhearer = Overhearer(timeout_ns=TIMEOUT, quiet_ns=QUIET, delay_max_ns=DELAY)
    found: list[Heard] = []
    read_ns = before_ns = 0
    skip = 0
    for at, frame in frames:
        if not skip and len(frame) > 1 and draw.random() < loss:
            # From within this frame to within a later one; what is left of them shows it, unless the loss is exactly as
            # long as some answers and requests: then nothing does, and that it does not happen is assumed.
            kept = draw.randint(1, len(frame) - 1)
            skip = draw.choice([it for it in range(len(frame), 41) if it + len(frame) - kept not in SEAMLESS])
            frame = frame[:kept]  # noqa: PLW2901
        elif skip:
            left = frame[max(skip, 1) :] if skip < len(frame) else b""
            skip = max(0, skip - len(frame))
            frame = left  # noqa: PLW2901
        arrives = max(read_ns, at) + draw.randint(0, DELAY // 4)
        cut = draw.randint(0, len(frame))
        for piece in (frame[:cut], frame[cut:]):
            if not piece:
                continue
            if at - read_ns > 300 * MS:
                overhearer.idle(at - MS)
            since_ns, read_ns = max(before_ns, at - 15 * MS), max(read_ns + 1, arrives)
            since_ns = min(since_ns, at)
            found += [it for it in overhearer.feed(piece, since_ns, read_ns) if isinstance(it, Heard)]
        before_ns = at
    return found


def test_every_value_that_is_overheard_is_the_one_that_was_asked_for_and_was_true_within_its_bounds() -> None:
    credited = {0.0: 0, 0.05: 0}
    for case in range(120):
        for loss in credited:
            draw = Random(f"overheard {case} {loss}")
            frames, truth = stream(draw, is_noisy=not loss)
            for it in heard_of(draw, frames, loss):
                where = f"case {case}, loss {loss}: {it}"
                assert it.payload in truth, f"{where}: nobody answered so"
                request, true_at = truth[it.payload]
                assert it.request == request, f"{where}: it was the answer to {request}"
                assert it.asked_ns <= true_at <= it.told_ns, f"{where}: it was true at {true_at}"
                credited[loss] += 1
    assert credited[0.0] > 120 * 20, credited
    assert credited[0.05] > 120 * 5, credited
