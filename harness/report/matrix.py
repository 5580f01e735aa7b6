"""The matrix: a row for each alarm, a column for each output; shared by the terminal and the HTML renderer.

A point at which several alarms have to appear (a horn, a common alarm) has a column of its own; the points that
belong to one alarm each are gathered by their link and table. Cells gather equal verdicts.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from harness.core.model import Alarm, Behaviour, Point, Site
from harness.core.places import BacnetPlace, ModbusPlace, MqttPlace, PersonPlace, TextPlace
from harness.core.verdicts import Verdict, VerdictClass
from harness.report import human
from harness.report.gathered import latency_of
from harness.report.standing import Row, Standing


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One output. ``label`` tells it from the other columns of its link."""

    link: str
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """Equal verdicts of one cell. ``verdict`` is None for rows that were never planned.

    ``latency``: of a lone row, in bounds that hold all of its trials.
    """

    verdict: Verdict | None
    rows: tuple[Row, ...]
    latency: str = ""

    @property
    def word(self) -> str:
        """The verdict's word, ``not tested`` where there is none."""
        return self.verdict.value if self.verdict else "not tested"

    @property
    def verdict_class(self) -> VerdictClass | None:
        """The class of the verdict, or None."""
        return self.verdict.verdict_class if self.verdict else None


@dataclass(frozen=True, slots=True, kw_only=True)
class MatrixRow:
    """One alarm, and for each column its entries, worst first; () where nothing is expected there."""

    alarm: Alarm
    cells: tuple[tuple[Entry, ...], ...]

    @property
    def is_tested(self) -> bool:
        """Whether a record set out to test any of it."""
        return any(entry.verdict is not None for cell in self.cells for entry in cell)


@dataclass(frozen=True, slots=True, kw_only=True)
class Matrix:
    """Columns in the order of the site's links and points, and rows in the order of its alarms."""

    columns: tuple[Column, ...]
    rows: tuple[MatrixRow, ...]

    def parts(self, columns_max: int) -> tuple[Matrix, ...]:
        """The same matrix as several, none with more columns; a row with nothing in a part is left out of it.

        The outputs of one link stay together where they fit into one part.
        """
        ends: list[int] = []
        begin = 0
        for first, last in self.links():
            if last - begin > columns_max:
                if first > begin:
                    ends.append(first)
                begin = first
                while last - begin > columns_max:
                    begin += columns_max
                    ends.append(begin)
        if len(self.columns) > begin:
            ends.append(len(self.columns))
        parts = []
        for first, last in zip([0, *ends], ends, strict=False):
            rows = (MatrixRow(alarm=row.alarm, cells=row.cells[first:last]) for row in self.rows)
            parts.append(Matrix(columns=self.columns[first:last], rows=tuple(row for row in rows if any(row.cells))))
        return tuple(parts)

    def links(self) -> list[tuple[int, int]]:
        """For each link in turn, its first column and the one after its last."""
        bounds: list[tuple[int, int]] = []
        for index, column in enumerate(self.columns):
            if bounds and self.columns[index - 1].link == column.link:
                bounds[-1] = (bounds[-1][0], index + 1)
            else:
                bounds.append((index, index + 1))
        return bounds

    def tested(self) -> Matrix:
        """The same without the outputs and alarms of which no record set out to test anything; all of it where nothing
        was.
        """
        kept = [
            index
            for index in range(len(self.columns))
            if any(entry.verdict is not None for row in self.rows for entry in row.cells[index])
        ]
        if not kept:
            return self
        rows = (MatrixRow(alarm=row.alarm, cells=tuple(row.cells[index] for index in kept)) for row in self.rows)
        return Matrix(
            columns=tuple(self.columns[index] for index in kept), rows=tuple(it for it in rows if it.is_tested)
        )


def matrix_of(site: Site, standing: Standing) -> Matrix:
    """Lay the standing rows out. Alarms without a row in the point map have no row in the matrix."""
    columns = _columns(site)
    order = list(dict.fromkeys(columns.values()))
    cells: dict[tuple[str, Column], list[Row]] = {}
    for row in standing.rows:
        cells.setdefault((row.alarm.name, columns[row.point.name]), []).append(row)
    named = dict.fromkeys(row.alarm.name for row in standing.rows)
    rows = (
        MatrixRow(
            alarm=alarm,
            cells=tuple(_entries(cells.get((alarm.name, column), [])) for column in order),
        )
        for alarm in site.alarms.values()
        if alarm.name in named
    )
    return Matrix(columns=tuple(order), rows=tuple(rows))


def _columns(site: Site) -> dict[str, Column]:
    """The column of each point that is in the point map."""
    heard = Counter(row.point for row in site.expectations if row.behaviour is not Behaviour.QUIET)
    used = dict.fromkeys(row.point for row in site.expectations)
    columns: dict[str, Column] = {}
    for link in site.links:
        kinds: dict[str, Column] = {}
        for point in site.points.values():
            if point.link != link or point.name not in used:
                continue
            label = _short(point) if heard[point.name] > 1 else kind_of(point)
            columns[point.name] = kinds.setdefault(label, Column(link=link, label=label))
    return columns


def _short(point: Point) -> str:
    """The point's name without its link's."""
    return point.name.removeprefix(f"{point.link}.") or point.name


def kind_of(point: Point) -> str:
    """What kind of output a point is, in words."""
    match point.place:
        case ModbusPlace():
            return point.place.table.value.replace("-", " ")
        case TextPlace():
            return "printed text"
        case BacnetPlace():
            return f"{point.place.object_type.value.replace('-', ' ')}, by {point.place.arrives.value}"
        case MqttPlace():
            return "topic"
        case PersonPlace():
            return point.place.sign.value


def _entries(rows: list[Row]) -> tuple[Entry, ...]:
    gathered: dict[Verdict | None, list[Row]] = {}
    for row in rows:
        gathered.setdefault(row.verdict, []).append(row)
    rank = {VerdictClass.FAIL: 0, VerdictClass.UNKNOWN: 1, None: 2, VerdictClass.PASS: 3}
    entries = (
        Entry(verdict=verdict, rows=tuple(of_verdict), latency=_latency(of_verdict))
        for verdict, of_verdict in gathered.items()
    )
    return tuple(sorted(entries, key=lambda entry: rank[entry.verdict_class]))


def _latency(rows: list[Row]) -> str:
    found = latency_of(rows[0]) if len(rows) == 1 else None
    return "" if found is None else human.bounds(found, against_ns=rows[0].expectation.limits.appears_within_ns)
