"""What corrections make of a record when it is judged.

They change what was *said* (which alarm, by whom, a report of a person), never what was observed. Nothing is removed:
the record still has it, and the report shows both.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from harness.core.model import Judgement, Result, Site, Stimulus
from harness.core.places import PersonPlace
from harness.links.base import AnyBlock
from harness.links.person_messages import Said, Undone, decode, encode
from harness.links.seen import Dropped, Failure, Message, Polls, StateChange
from harness.links.source import Source
from harness.record.corrections import Correction, CorrectionKind, corrections_of, in_force
from harness.record.found import Event
from harness.results.steps import STEP_EVENT


@dataclass(frozen=True, slots=True, kw_only=True)
class Corrected:
    """A record's events and observations with the corrections that are in force. ``made``: all of them, in order."""

    made: tuple[Correction, ...] = ()
    standing: tuple[Correction, ...] = ()

    @classmethod
    def of(cls, events: Iterable[Event]) -> Corrected:
        """The corrections among a record's events."""
        made = corrections_of(events)
        return cls(made=made, standing=in_force(made))

    @property
    def changes_results(self) -> bool:
        """Whether anything judged may be another than as recorded."""
        told = (CorrectionKind.VOID, CorrectionKind.ALARM, CorrectionKind.TAKE_BACK)
        return any(one.kind in told for one in self.standing)

    @property
    def voided(self) -> frozenset[str]:
        """The stimuli from which nothing is judged."""
        return frozenset(one.stimulus for one in self.standing if one.kind is CorrectionKind.VOID)

    @property
    def alarms(self) -> dict[str, str]:
        """By stimulus, the alarm that it was; the newest correction counts."""
        return {one.stimulus: one.text for one in self.standing if one.kind is CorrectionKind.ALARM}

    @property
    def who(self) -> str:
        """The right name of who tested, '' where nobody corrected it."""
        return next((one.text for one in reversed(self.standing) if one.kind is CorrectionKind.WHO), "")

    def events(self, events: Sequence[Event]) -> tuple[Event, ...]:
        """The events with every step under the alarm that it was of."""
        alarms = self.alarms
        if not alarms:
            return tuple(events)
        return tuple(
            replace(it, data={**it.data, "alarm": alarms[str(it.data["stimulus"])]})
            if it.kind == STEP_EVENT and it.data["stimulus"] in alarms
            else it
            for it in events
        )

    def stimuli(self, stimuli: Iterable[Stimulus]) -> tuple[Stimulus, ...]:
        """A voided stimulus still held what it held, but proves no raise."""
        return tuple(replace(it, proven=False) if it.id in self.voided else it for it in stimuli)

    def source(self, source: Source) -> Source:
        """What was observed, with the reports that were taken back named as such."""
        back = [one for one in self.standing if one.kind is CorrectionKind.TAKE_BACK]
        return _TakenBack(source, back) if back else source

    def judgement(self, judged: Judgement, site: Site) -> Judgement:
        """Without the results of voided stimuli; what rests on a correction says so."""
        kept = tuple(self._result(it, site) for it in judged.results if it.stimulus not in self.voided)
        named = {cause for it in kept for cause in it.causes} | {cause for it in judged.strays for cause in it.causes}
        dropped = {cause for it in judged.results if it.stimulus in self.voided for cause in it.causes} - named
        return replace(judged, results=kept, causes=tuple(it for it in judged.causes if it not in dropped))

    def _result(self, result: Result, site: Site) -> Result:
        rests = [
            f"rests on correction {one.number}: {one.about} {one.change}"
            for one in self.standing
            if (one.kind is CorrectionKind.ALARM and one.stimulus == result.stimulus)
            or (one.kind is CorrectionKind.TAKE_BACK and _is_about(one, site, result.point))
        ]
        return replace(result, assumptions=(*result.assumptions, *rests)) if rests else result

    def more_planned(self, planned: Sequence[str], site: Site) -> tuple[str, ...]:
        """The planned rows, and those of the alarms that stimuli really were, on the links that were listened to."""
        if not planned or not self.alarms:
            return tuple(planned)
        known = set(planned)
        links = {site.points[row.point].link for row in site.expectations if row.key in known}
        really = set(self.alarms.values())
        return tuple(
            row.key
            for row in site.expectations
            if row.key in known or (row.alarm in really and site.points[row.point].link in links)
        )


def _is_about(correction: Correction, site: Site, point: str) -> bool:
    """Whether the report that was taken back was one of this point."""
    it = site.points[point]
    return it.link == correction.link and isinstance(it.place, PersonPlace) and it.place.label == correction.text


class _TakenBack:
    """A source in which more reports of persons were taken back."""

    def __init__(self, source: Source, corrections: Sequence[Correction]) -> None:
        self._source = source
        self._of: dict[str, list[int]] = {}
        for one in corrections:
            self._of.setdefault(one.link, []).append(-1 if one.report is None else one.report)

    def blocks(self) -> tuple[AnyBlock, ...]:
        return self._source.blocks()

    def polls(self, block_id: int) -> Polls:
        return self._source.polls(block_id)

    def failures(self, block_id: int) -> tuple[Failure, ...]:
        return self._source.failures(block_id)

    def link_states(self, link: str) -> tuple[StateChange, ...]:
        return self._source.link_states(link)

    def dropped(self, link: str) -> tuple[Dropped, ...]:
        return self._source.dropped(link)

    def messages(self, link: str) -> tuple[Message, ...]:
        """As observed, and behind them a taking back for each report that a correction takes back."""
        told = self._source.messages(link)
        if link not in self._of or not told:
            return told
        said = {it.id: it for it in said_in(told)}
        last_ns, free = told[-1].last_ns, max(said) + 1
        back = [
            Undone(id=free + number, of=of, sign=said[of].sign, label=said[of].label, then=None)
            for number, of in enumerate(self._of[link])
            if of in said
        ]
        return (*told, *(Message(first_ns=last_ns, last_ns=last_ns, data=encode(it)) for it in back))


def said_in(messages: Iterable[Message]) -> list[Said | Undone]:
    """What persons said, in order."""
    return [said for said in (decode(message.data) for message in messages) if said is not None]
