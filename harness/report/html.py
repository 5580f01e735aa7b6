"""The report as one HTML page that stands alone: styles and pictures inside, no script, nothing fetched.

Every text goes through ``safe_text`` and Jinja's escaping; the template writes no text unescaped.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from functools import cache
from typing import TYPE_CHECKING, Any

from harness.core.instants import Bounds
from harness.core.model import Alarm, Behaviour, Cause, Point, Result
from harness.core.verdicts import Verdict, VerdictClass
from harness.core.wording import link_address, place_words
from harness.report import human, log_words, picture, words
from harness.report.correction_lines import changed_words
from harness.report.coverage import coverage_of
from harness.report.document import AttemptDocument, ReportDocument
from harness.report.gathered import (
    Tally,
    alike,
    has_own,
    in_runs,
    kin,
    latency_of,
    row_pass_words,
    tallies,
    visible_of,
    widest_gap_of,
)
from harness.report.incidents import incidents
from harness.report.link_words import wire_share
from harness.report.matrix import Matrix, kind_of, matrix_of
from harness.report.picture import Picture, picture_of
from harness.report.proved import ProvedPoints, proved_points
from harness.report.safe import safe_text
from harness.report.standing import Row, Standing, StandingStray, standing_of

if TYPE_CHECKING:
    from jinja2 import Environment

    from harness.report.html_measured import MeasuredView

COLUMNS_MAX = 9
"""Outputs side by side in one table: as many as fit on a sheet of A4 on its side."""

CROWDED_FROM = 6
"""So many outputs are first shown gathered by their links."""

NAMED_MAX = 12
"""So many results are named with a cause that explains them; each of the others names the cause itself."""

LANES_MAX = 6
"""Lanes of one picture: the row's own point and up to five others that the same stimulus should reach."""


def render_html(document: ReportDocument) -> str:
    """The whole report as one HTML page, ended by a line feed."""
    standing = standing_of(document)
    view = _View(document, standing)
    template = page_environment().get_template("report.html.j2")
    return template.render(view=view, document=document, standing=standing) + "\n"


@cache
def page_environment() -> Environment:
    """What all pages are made by: texts escaped and made safe, and nothing left undefined."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("harness.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_finalized,
    )
    environment.filters.update(
        bounds=human.bounds,
        duration=human.duration,
        measured=human.measured,
        utc=human.utc,
        number="{:,}".format,
    )
    environment.globals.update(
        words=words,
        picture=picture,
        log=log_words,
        incidents=incidents,
        NAMED_MAX=NAMED_MAX,
        PASS=VerdictClass.PASS,
        FAIL=VerdictClass.FAIL,
        UNKNOWN=VerdictClass.UNKNOWN,
    )
    return environment


def _finalized(value: object) -> object:
    """Every value that a template writes: texts made safe, and None is a mistake of the template."""
    if value is None:
        raise TypeError("the report template wrote a value that is None")
    return (
        safe_text(value) if type(value) is str or (isinstance(value, str) and not hasattr(value, "__html__")) else value
    )


def _measured(document: ReportDocument) -> MeasuredView | None:
    """None where no row was tried twice; then nothing of the statistics is loaded."""
    if document.repeated is None:
        return None
    from harness.report.html_measured import MeasuredView

    return MeasuredView(document.repeated, {name: point.link for name, point in document.site.points.items()})


class _View:
    """What the template asks for that is more than a field of the document."""

    def __init__(self, document: ReportDocument, standing: Standing) -> None:
        self.document = document
        self.standing = standing
        self.matrix = matrix_of(document.site, standing)
        self.is_crowded = len(self.matrix.columns) >= CROWDED_FROM
        self._shared = {one.cause: number for number, one in enumerate(standing.shared, start=1)}
        self.measured = _measured(document)
        self.newest = document.attempts[0] if document.attempts else None
        self._timelines: dict[tuple[int, str], list[Any]] = {}
        for number, attempt in self.attempts:
            for timeline in attempt.timelines:
                self._timelines.setdefault((number, timeline.stimulus), []).append(timeline)

    @property
    def attempts(self) -> list[tuple[int, AttemptDocument]]:
        """Attempts with their numbers, newest first; the oldest is 1."""
        total = len(self.document.attempts)
        return [(total - index, attempt) for index, attempt in enumerate(self.document.attempts)]

    def attempt(self, number: int) -> AttemptDocument:
        """The attempt of that number."""
        return self.document.attempts[len(self.document.attempts) - number]

    def totals(self) -> list[tuple[VerdictClass, int, list[tuple[Verdict, int]]]]:
        """Each class, how many, and how many of each of its verdicts that occur."""
        order = (VerdictClass.FAIL, VerdictClass.UNKNOWN, VerdictClass.PASS)
        counts = Counter(self.standing.verdicts)
        return [
            (one, self.standing.count(one), [(v, counts[v]) for v in Verdict if v.verdict_class is one and counts[v]])
            for one in order
        ]

    def parts(self) -> tuple[Matrix, ...]:
        """The tested outputs in tables that fit on a sheet, links kept together."""
        return self.matrix.tested().parts(COLUMNS_MAX)

    def links_tested(self) -> list[str]:
        """The links with at least one row that a record set out to test; all of them where nothing was tested."""
        return list(dict.fromkeys(column.link for column in self.matrix.tested().columns))

    def links_untested(self) -> list[str]:
        """The links of the point map of which nothing was tested."""
        tested = self.links_tested()
        return list(dict.fromkeys(it.link for it in self.matrix.columns if it.link not in tested))

    def alarms_untested(self) -> list[str]:
        """The alarms of the point map of which nothing was tested, those that count up together; [] where all are."""
        tested = {line.alarm.name for line in self.matrix.tested().rows}
        return in_runs(line.alarm.name for line in self.matrix.rows if line.alarm.name not in tested)

    def overview(self) -> list[tuple[Alarm, list[list[Tally]]]]:
        """For each alarm that was tested, what stands of its rows on each tested link."""
        links = self.links_tested()
        rows: dict[tuple[str, str], list[Row]] = {}
        for row in self.standing.rows:
            rows.setdefault((row.alarm.name, row.point.link), []).append(row)
        return [
            (line.alarm, [tallies(rows.get((line.alarm.name, link), [])) for link in links])
            for line in self.matrix.tested().rows
        ]

    def shared_number(self, cause: Cause) -> int:
        """The number under which a cause is told among those that explain several results; 0 where it is not."""
        return self._shared.get(cause, 0)

    def same_reason(self, rows: list[Row]) -> bool:
        """True where rows differ in their names only."""
        return len({row.reason for row in rows}) == 1 and not any(has_own(row) for row in rows)

    def untested_by_link(self) -> list[tuple[str, list[Row]]]:
        """Rows that no record set out to test, by link."""
        return self._by_link(self.standing.of_class(None))

    def passed_by_link(self) -> list[tuple[str, list[Row]]]:
        """Rows that passed, by link."""
        return self._by_link(self.standing.of_class(VerdictClass.PASS))

    def _by_link(self, rows: Iterable[Row]) -> list[tuple[str, list[Row]]]:
        found: dict[str, list[Row]] = {name: [] for name in self.document.site.links}
        for row in rows:
            found[row.point.link].append(row)
        return [(link, of_link) for link, of_link in found.items() if of_link]

    def untested_points(self, rows: list[Row]) -> list[tuple[str, int]]:
        """The points of rows, with how many rows each has."""
        return list(Counter(row.point.name for row in rows).items())

    def pass_words(self, rows: list[Row]) -> str:
        """Rows that passed, in few words."""
        return row_pass_words(rows)

    def kinds(self, link: str, points: list[tuple[Point, list[Row]]]) -> list[tuple[str, list[str]]]:
        """The points of a link by the kind of output, each by its name without the link's."""
        found: dict[str, list[str]] = {}
        for point, _ in points:
            found.setdefault(kind_of(point), []).append(point.name.removeprefix(f"{link}:"))
        return [(kind, in_runs(names)) for kind, names in found.items()]

    def link_tally(self, points: list[tuple[Point, list[Row]]]) -> list[tuple[str, VerdictClass | None, int]]:
        """How many rows of each class a link has, worst first."""
        return self.point_tally([row for _, rows in points for row in rows])

    def picture(self, row: Row, result: Result) -> Picture | None:
        """What every output of the result's stimulus did, the row's own last."""
        if row.attempt is None:
            return None
        points = self.document.site.points
        timelines = self._timelines.get((row.attempt, result.stimulus), [])
        own = [one for one in timelines if one.expectation == row.expectation.key]
        others = [one for one in timelines if one.expectation != row.expectation.key]
        others = [one for one in others if one.point in points or one.link == row.point.link]
        is_instead = (it for it in others if it.point == result.elsewhere or it.point not in points)
        instead = {one.point: self._instead(one.point) for one in is_instead}
        first = (row.alarm.reference, *instead)
        same_link = {name for name, point in points.items() if point.link == row.point.link}
        others.sort(key=lambda one: (one.point not in first, one.point not in same_link))
        others = others[: LANES_MAX - len(own)]
        # Where it appeared instead stands next to where it should have.
        others.sort(key=lambda one: one.point in instead)
        title = f"What the outputs of {row.alarm.name} did"
        return picture_of(others + own, subject=row.expectation.key, title=title, notes=instead)

    def _instead(self, point: str) -> str:
        """What to write over the lane of a place at which an alarm appeared, or may have, instead of at its own."""
        if point not in self.document.site.points:
            return "this came on instead, and is in no row of the point map"
        rows = self.document.site.expectations
        owners = dict.fromkeys(it.alarm for it in rows if it.point == point and it.behaviour is not Behaviour.QUIET)
        of = f", the place of {', '.join(in_runs(owners))}" if owners else ""
        return f"it appeared here instead{of}"

    def timed(self, row: Row, result: Result | None = None) -> str:
        """Latency in words, or ''; without a result over all trials of a row."""
        latency = latency_of(row) if result is None else result.latency
        return "" if latency is None else human.bounds(latency, against_ns=row.expectation.limits.appears_within_ns)

    def visible(self, row: Row, result: Result | None = None) -> str:
        """Visible time in words, or ''; without a result over all trials of a row."""
        visible = visible_of(row) if result is None else result.visible
        return "" if visible is None else human.bounds(visible, against_ns=row.expectation.limits.visible_for_ns)

    def widest_gap(self, row: Row) -> int | None:
        """The widest gap of all trials of a row, in ns."""
        return widest_gap_of(row)

    def demands(self, row: Row) -> str:
        """The limits of a row in words."""
        limits, demands = row.expectation.limits, [row.expectation.behaviour.value]
        if row.expectation.behaviour.value == "quiet":
            return f"must not react; looked for leaks of {human.duration(limits.leak_ns)} and longer"
        for limit_ns, text in (
            (limits.appears_within_ns, "appears within"),
            (limits.visible_for_ns, "visible for at least"),
            (limits.gone_within_ns, "gone within"),
            (limits.dwell_ns or None, "dwell"),
        ):
            if limit_ns is not None:
                demands.append(f"{text} {human.duration(limit_ns)}")
        return ", ".join(demands)

    def when(self, number: int, at: Bounds) -> str:
        """A time of day, by the clock of the machine that tested, of the earliest instant of bounds."""
        attempt = self.attempt(number)
        return human.clock(attempt.utc_ns(at.lo), attempt.utc_offset_s) if not at.is_open_below else "not known"

    def stray_seen(self, one: StandingStray) -> str:
        """By when a stray was on."""
        attempt = self.attempt(one.attempt)
        if one.stray.onset.is_open_above:
            return "at a time that is not known"
        return human.local(attempt.utc_ns(one.stray.onset.hi), attempt.utc_offset_s)

    @property
    def proved(self) -> list[ProvedPoints]:
        """The points by link and by what they prove."""
        return proved_points(self.document.site, self.standing.rows)

    def points_by_link(self) -> list[tuple[str, str, list[tuple[ProvedPoints, list[tuple[Point, list[Row]]]]]]]:
        """For each link: name, address, and its points with their rows, by what they prove."""
        rows: dict[str, list[Row]] = {}
        for row in self.standing.rows:
            rows.setdefault(row.point.name, []).append(row)
        return [
            (
                name,
                link_address(link),
                [
                    (group, [(point, rows[point.name]) for point in group.points])
                    for group in self.proved
                    if group.link == name
                ],
            )
            for name, link in self.document.site.links.items()
        ]

    def point_tally(self, rows: list[Row]) -> list[tuple[str, VerdictClass | None, int]]:
        """How many rows of each class, worst first, without the classes that do not occur."""
        order = (VerdictClass.FAIL, VerdictClass.UNKNOWN, VerdictClass.PASS, None)
        counts = Counter(row.verdict_class for row in rows)
        return [(words.CLASS_WORD[one] if one else words.NOT_PLANNED, one, counts[one]) for one in order if counts[one]]

    def hold(self, point: Point) -> str:
        """A point's hold in words, with what was assumed."""
        hold = point.hold
        parts = (("on", hold.on_ns, hold.on_declared), ("off", hold.off_ns, hold.off_declared))
        return ", ".join(f"{n} {human.duration(ns)}{'' if declared else ' (assumed)'}" for n, ns, declared in parts)

    def common_hold(self, points: list[tuple[Point, list[Row]]]) -> str:
        """The hold in words where all of these points have the same, else ''."""
        told = {self.hold(point) for point, _ in points}
        return told.pop() if len(told) == 1 else ""

    def coverage(self, attempt: AttemptDocument) -> list[Any]:
        """Blind time and figures of each link of an attempt."""
        return [coverage_of(figures) for figures in attempt.links]

    def assumptions(self) -> list[tuple[str, int]]:
        """Each assumption of a standing result, with how many results rest on it."""
        counts = Counter(text for row in self.standing.rows for result in row.results for text in result.assumptions)
        return list(counts.items())

    def notes(self) -> list[tuple[str, str]]:
        """Each note once, with the attempts that it is of; '' where it is of all of them, or of the site itself."""
        found: dict[str, list[int]] = {note: [] for note in self.document.site.notes}
        for number, attempt in self.attempts:
            for note in dict.fromkeys(attempt.notes):
                found.setdefault(note, []).append(number)
        return [(note, self._of_attempts(numbers)) for note, numbers in found.items()]

    def _of_attempts(self, numbers: list[int]) -> str:
        if len(numbers) in (0, len(self.document.attempts)):
            return ""
        return f"{'attempt' if len(numbers) == 1 else 'attempts'} {', '.join(map(str, sorted(numbers)))}"

    def alarms_with(self, side_effect: str) -> list[Alarm]:
        """The alarms that name a side effect."""
        return [one for one in self.document.site.alarms.values() if side_effect in (one.side_effects or ())]

    def alarms_unstated(self) -> list[Alarm]:
        """Alarms of which the site file does not say whether they have side effects."""
        return [one for one in self.document.site.alarms.values() if one.side_effects is None]

    def with_ledger(self) -> list[tuple[int, AttemptDocument]]:
        """Attempts with a ledger, by number."""
        return [(number, attempt) for number, attempt in self.attempts if attempt.ledger is not None]

    def corrected(self) -> list[tuple[int, AttemptDocument]]:
        """Attempts with corrections, by number."""
        return [(number, attempt) for number, attempt in self.attempts if attempt.corrections]

    def corrections_count(self) -> int:
        """How many corrections all attempts have."""
        return sum(len(attempt.corrections) for _, attempt in self.attempts)

    changed = staticmethod(changed_words)

    def retested(self) -> list[Row]:
        """Rows with earlier results."""
        return [row for row in self.standing.rows if row.earlier]

    def stimulus(self, row: Row, result: Result) -> Any:
        """The stimulus of a result, or None."""
        if row.attempt is None:
            return None
        return next((one for one in self.attempt(row.attempt).stimuli if one.id == result.stimulus), None)

    alike = staticmethod(alike)
    kin = staticmethod(kin)
    wire_share = staticmethod(wire_share)
    counted = staticmethod(human.count)
    local = staticmethod(human.local)
    clock = staticmethod(human.clock)
    offset = staticmethod(human.offset)
    place = staticmethod(place_words)
