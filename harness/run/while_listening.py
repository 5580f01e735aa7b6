"""Raises while every link is listened to: where a listener crashes its link is blind, and the test goes on."""

from __future__ import annotations

import asyncio
import traceback
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Protocol

from harness.core.errors import IdentityError, RecordError
from harness.links.base import Link, LinkState
from harness.links.person import PersonListener
from harness.links.person_reports import Attend, Reports
from harness.results.interrupting import StoppedRunError
from harness.run.attentive import listening_first
from harness.run.listening import listeners
from harness.run.order import Item, carried_links, listened_links
from harness.run.raising import Written
from harness.run.tools import Tools


class Conducts(Protocol):
    """Raises alarms, from the first to the last, and puts back what it raised whenever it is cancelled."""

    async def conduct(self, start_ns: int) -> None:
        """The whole of it. StoppedRunError or RecordError where it must not go on; everything is put back then."""


async def listen_and_raise(
    tools: Tools,
    items: Sequence[Item],
    start_ns: int,
    attend: Attend | None,
    conductor_of: Callable[[Tools, Sequence[Item]], Conducts],
) -> str:
    """Listen on every link of a plan while the conductor raises it; then stop listening.

    Returns '' or why it ended early. ``attend`` takes the reports of persons, None where nobody does.
    """
    site = tools.site
    carrying = carried_links(site) if isinstance(tools.hand, Written) else ()
    links = listeners(site, tools.journal, tools.clock, listened_links(site, items), carrying)
    if isinstance(tools.hand, Written):
        tools.hand.over(links)
    reports = {link.name: link.reports for link in links if isinstance(link, PersonListener)}
    conductor = conductor_of(replace(tools, reports=reports), items)
    try:
        with listening_first():
            return await _raise_while_listening(conductor, links, reports, tools, start_ns, attend)
    except* IdentityError as group:
        # Whatever was raised has been put back by now; what was read may be another device's.
        why = "; ".join(str(exc) for exc in _leaves(group))
    tools.view.trouble(why)
    return why


def _leaves(group: BaseExceptionGroup[BaseException]) -> Iterator[BaseException]:
    for exc in group.exceptions:
        if isinstance(exc, BaseExceptionGroup):
            yield from _leaves(exc)
        else:
            yield exc


async def _raise_while_listening(
    conductor: Conducts,
    links: Sequence[Link],
    reports: Mapping[str, Reports],
    tools: Tools,
    start_ns: int,
    attend: Attend | None,
) -> str:
    async with asyncio.TaskGroup() as group:
        listening = []
        if attend is not None and (reports or tools.guide is not None):
            listening.append(group.create_task(_attend(attend, list(reports.values()), tools), name="persons"))
        listening += [group.create_task(_listen(link, tools), name=f"link {link.name}") for link in links]
        await asyncio.sleep(0)  # each has begun: who reports is known before anything is asked
        why = ""
        try:
            await conductor.conduct(start_ns)
        except (RecordError, StoppedRunError) as exc:
            why = str(exc)
            tools.view.urgent(why)
        finally:
            for task in listening:
                task.cancel()
    return why


async def _attend(attend: Attend, reports: Sequence[Reports], tools: Tools) -> None:
    """Where what takes the reports crashes, nobody reports any more; the run goes on."""
    try:
        await attend(reports)
    except Exception as exc:  # noqa: BLE001  # whatever it is, it must not end the run
        tools.journal.event("crash", tools.clock(), {"link": "", "traceback": traceback.format_exc()})
        tools.view.trouble(f"nobody can report any more: {exc!r}; what only persons see stays unknown")


async def _listen(link: Link, tools: Tools) -> None:
    """A listener that crashes makes its link blind, with the traceback in the record; the other links go on.

    Only what makes every link's evidence doubtful ends the run: two devices of one identity.
    """
    try:
        await link.run()
    except IdentityError:
        raise
    except Exception as exc:  # noqa: BLE001  # whatever it is, it must not end the run
        why = f"the listener crashed: {exc!r}"
        tools.journal.link_state(link.name, tools.clock(), LinkState.DOWN, why)
        tools.journal.event("crash", tools.clock(), {"link": link.name, "traceback": traceback.format_exc()})
        tools.view.trouble(f"link {link.name}: {why}; what it should see stays unknown")
