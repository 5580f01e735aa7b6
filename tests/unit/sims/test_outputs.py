"""The image a device answers from, and the queue that fills it."""

import asyncio

from sims.outputs import Event, Image, OutputQueue
from sims.points import BMS, LATCHED, PANEL, STATES, Place, Point, Table


def test_bits_are_packed_lowest_first() -> None:
    image = Image()
    image.set(BMS[0], 1)
    image.set(BMS[17], 1)
    image.set(LATCHED[18], 1)
    image.set(STATES[5], 3)
    assert image.words[Table.DISCRETE_INPUT][:2] == [1, 2]
    assert image.words[Table.HOLDING_REGISTER][100:102] == [0, 4]
    assert (image.get(BMS[17]), image.get(BMS[16]), image.get(LATCHED[18]), image.get(STATES[5])) == (1, 0, 1, 3)
    image.set(BMS[17], 0)
    assert image.words[Table.DISCRETE_INPUT][:2] == [1, 0]


def test_only_what_is_defined_exists() -> None:
    image = Image()
    image.define(Table.DISCRETE_INPUT, 0, 28)
    image.define(Table.HOLDING_REGISTER, 900, 5)
    assert image.exists(Table.DISCRETE_INPUT, 0, 2)
    assert not image.exists(Table.DISCRETE_INPUT, 1, 2)
    assert image.exists(Table.HOLDING_REGISTER, 900, 5)
    assert not image.exists(Table.HOLDING_REGISTER, 899, 2)
    assert not image.exists(Table.COIL, 0, 1)


async def test_published_in_order_and_never_early() -> None:
    now_ns = 0
    published: list[list[Event]] = []
    queue = OutputQueue(published.append, lambda: now_ns)
    one, other = PANEL[0], PANEL[1]
    queue.put(one, 1, 20)
    queue.put(other, 1, 10)
    queue.put(one, 0, 20)
    queue.publish_due()
    assert not published
    now_ns = 19
    queue.publish_due()
    now_ns = 20
    queue.publish_due()
    assert [[(e.point, e.value) for e in batch] for batch in published] == [[(other, 1)], [(one, 1), (one, 0)]]


async def test_what_was_made_up_can_be_forgotten_from_an_instant_on() -> None:
    published: list[Event] = []
    queue = OutputQueue(published.extend, lambda: 100)
    for due_ns in (10, 20, 30):
        queue.put(PANEL[0], 0, due_ns, made_up=True)
        queue.put(PANEL[1], 0, due_ns, made_up=True)
        queue.put(PANEL[0], 1, due_ns)
    assert queue.drop_made_up(PANEL[0], 20) == 2
    queue.publish_due()
    assert [e.due_ns for e in published if e.point == PANEL[0] and e.made_up] == [10]
    assert [e.due_ns for e in published if e.point == PANEL[1]] == [10, 20, 30]
    assert [e.due_ns for e in published if e.point == PANEL[0] and not e.made_up] == [10, 20, 30]


async def test_the_running_queue_wakes_for_something_earlier() -> None:
    """What is due in an hour does not keep what is due at once from being published."""
    seen = asyncio.Event()
    values: list[int] = []

    def publish(events: list[Event]) -> None:
        values.extend(event.value for event in events)
        seen.set()

    now_ns = 1
    queue = OutputQueue(publish, lambda: now_ns)
    point = Point(Place.PANEL, Table.DISCRETE_INPUT, 0, None, "x")
    queue.put(point, 7, now_ns + 3_600_000_000_000)
    async with asyncio.timeout(30), asyncio.TaskGroup() as group:
        task = group.create_task(queue.run())
        await asyncio.sleep(0)  # let it go to sleep for an hour
        queue.put(point, 1, now_ns)
        await seen.wait()
        task.cancel()
    assert values == [1]
