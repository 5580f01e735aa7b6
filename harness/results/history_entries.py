"""The entries of a controller's alarm history: of an exported table, of a printed text, or of the lines of a record."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from harness.core.errors import Origin, UsageError
from harness.core.history_format import HISTORY_COLUMNS, HistoryFormat
from harness.core.instants import NS_PER_S
from harness.core.links import TextLink
from harness.core.model import Site
from harness.core.places import TextPlace
from harness.links.text_lines import MessageKind, compile_place, decode_line
from harness.links.text_search import Lines
from harness.measure.alarm_history import Entry, History
from harness.site.names import did_you_mean, plain, shown
from harness.site.problems import Problems
from harness.site.sheets import Cell, Sheet, read_sheet
from harness.site.written_times import Period, WrittenTimeError, read_time

TIME_GROUP: Final = "time"
"""The named group of a pattern that holds the printed time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunTime:
    """When the test was by the controller's local time, and the way from there to the run's own clock."""

    period: Period
    shift_ns: int
    """Local time minus this is the run's clock, were the controller's clock right."""

    def written(self, text: str, form: str) -> tuple[int | None, int]:
        """(ns of the run's clock or None where it cannot be read, the step in which it is written)."""
        try:
            it = read_time(text, form, self.period)
        except WrittenTimeError:
            return None, NS_PER_S
        return it.local_ns - self.shift_ns, it.resolution_ns


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryRead:
    """What was read. ``unread``: lines of which nothing says what they are; ``timeless``: entries without a time that
    can be read; ``total``: rows or lines altogether.
    """

    history: History
    unread: tuple[str, ...] = ()
    timeless: int = 0
    total: int = 0


def _read(raised: Sequence[Entry], cleared: Sequence[Entry], unread: Sequence[str], total: int) -> HistoryRead:
    timeless = sum(it.written_ns is None for it in (*raised, *cleared))
    if timeless and timeless == len(raised) + len(cleared):
        first = (*raised, *cleared)[0]
        raise UsageError(
            f"{first.where}: {shown(first.text)}: no time of any entry can be read; say how they are written with "
            "--time-format, as strptime reads it, for example '%d.%m.%Y %H:%M:%S'"
        )
    history = History(raised=tuple(raised), cleared=tuple(cleared))
    return HistoryRead(history=history, unread=tuple(unread), timeless=timeless, total=total)


# --- tables ---------------------------------------------------------------------------------------


def entries_of_table(data: bytes, file: str, site: Site, form: HistoryFormat, time: RunTime) -> HistoryRead:
    """The entries of a CSV or XLSX file. UsageError where a column is missing, or a word of it is not known."""
    problems = Problems()
    sheet = read_sheet(data, file, problems, sheet=form.sheet, header_row=form.header_row)
    if sheet is None or problems.has_errors:
        raise UsageError("\n".join(str(it) for it in problems.in_order([file])))
    index = _columns(sheet, form, file)
    alarms_of = _alarms_by_text(site)
    kind_of = _kinds(form)
    unknown: dict[str, str] = {}
    raised: list[Entry] = []
    cleared: list[Entry] = []
    for row in sheet.rows:
        cells = {name: row[at].text.strip() if at < len(row) else "" for name, at in index.items()}
        word = plain(cells.get("event", ""))
        kind = kind_of.get(word) if "event" in index else MessageKind.RAISED
        if kind is None and word not in kind_of:
            unknown.setdefault(cells["event"], str(row[0].origin))
            continue
        alarms = alarms_of.get(plain(cells["alarm"]), frozenset())
        where, text = _where(row), cells["alarm"]
        when = " ".join(part for part in (cells.get("date", ""), cells.get("time", "")) if part)
        if kind is MessageKind.RAISED:
            raised.append(_entry(where, text, alarms, when, form.time_format, time))
            if cells.get("cleared at"):
                cleared.append(_entry(where, text, alarms, cells["cleared at"], form.time_format, time))
        elif kind is MessageKind.CLEARED:
            cleared.append(_entry(where, text, alarms, when, form.time_format, time))
    if unknown:
        listed = ", ".join(f"{shown(word)} ({where})" for word, where in list(unknown.items())[:8])
        raise UsageError(
            f"{file}: event={listed}: not known; say which of them mean that an alarm was raised, that one cleared, "
            "and which to leave out: --raised WORD, --cleared WORD, --ignored WORD, or in the site file"
        )
    return _read(raised, cleared, (), len(sheet.rows))


def _where(row: Sequence[Cell]) -> str:
    origin: Origin = row[0].origin
    return str(origin)


def _entry(where: str, text: str, alarms: frozenset[str], when: str, form: str, time: RunTime) -> Entry:
    written_ns, resolution_ns = time.written(when, form)
    return Entry(
        where=where,
        text=f"{when} {text}".strip(),
        alarms=alarms,
        written_ns=written_ns,
        resolution_ns=resolution_ns,
    )


def _columns(sheet: Sheet, form: HistoryFormat, file: str) -> dict[str, int]:
    """Field -> index of its column: as told, else where a column is named like the field."""
    headers = {plain(cell.text): at for at, cell in enumerate(sheet.headers) if cell.text.strip()}
    told = {plain(header) for header in form.columns.values()}
    index = {
        name: headers[plain(name)] for name in HISTORY_COLUMNS if plain(name) in headers and plain(name) not in told
    }
    for name, header in form.columns.items():
        if plain(header) not in headers:
            remedy = did_you_mean(header, [cell.text for cell in sheet.headers if cell.text.strip()])
            raise UsageError(f"{file}: {name}={shown(header)}: no such column; {remedy}")
        index[name] = headers[plain(header)]
    for needed in ("alarm", "time"):
        if needed not in index:
            listed = ", ".join(shown(cell.text) for cell in sheet.headers if cell.text.strip())
            raise UsageError(
                f"{file}: no column for {needed}; it has {listed}; say which with --column {needed}=NAME, or with "
                "columns: under alarm history: in the site file"
            )
    return index


def _kinds(form: HistoryFormat) -> dict[str, MessageKind | None]:
    """Word of the event column -> what it says; None for one that says nothing of an alarm."""
    words: dict[str, MessageKind | None] = {plain(word): None for word in form.ignored}
    words |= {plain(word): MessageKind.CLEARED for word in form.cleared}
    return words | {plain(word): MessageKind.RAISED for word in form.raised}


def _alarms_by_text(site: Site) -> Mapping[str, frozenset[str]]:
    """What an entry may call an alarm -> its names: its text, or the name itself."""
    found: dict[str, set[str]] = defaultdict(set)
    for alarm in site.alarms.values():
        found[plain(alarm.name)].add(alarm.name)
        if alarm.text:
            found[plain(alarm.text)].add(alarm.name)
    return {text: frozenset(names) for text, names in found.items()}


# --- lines ----------------------------------------------------------------------------------------


def entries_of_lines(
    lines: Sequence[tuple[str, bytes]], site: Site, link: str, form: HistoryFormat, time: RunTime
) -> HistoryRead:
    """The entries among printed lines, by the patterns of a text link. ``lines``: where each stands, and its bytes."""
    spec = site.links[link]
    if not isinstance(spec, TextLink):
        raise UsageError(f"--link {link}: is no link of printed lines, so it has no patterns to read a history with")
    kept = [(where, data) for where, data in lines if data.strip()]
    texts = Lines([decode_line(data, spec.encoding) for _, data in kept])
    found: dict[int, list[tuple[MessageKind, frozenset[str], str, str]]] = defaultdict(list)
    for alarms, place in _places(site, link):
        patterns = compile_place(place, spec.encoding)
        for number in texts.candidates(patterns):
            message = patterns.match(kept[number][1])
            if message is not None:
                when = message.groups.get(TIME_GROUP, "")
                found[number].append((message.kind, alarms, when, place.printed_time or form.time_format))
    raised: list[Entry] = []
    cleared: list[Entry] = []
    unread: list[str] = []
    is_other = _other(form.other_lines)
    for number, (where, data) in enumerate(kept):
        text = decode_line(data, spec.encoding)
        if number not in found:
            if not is_other(text):
                unread.append(f"{where}: {text}")
            continue
        kind, _, when, written = found[number][0]
        alarms = frozenset().union(*(names for one, names, _, _ in found[number] if one is kind))
        made = Entry(where=where, text=text, alarms=alarms, **_time(time, when, written))
        if kind is MessageKind.RAISED:
            raised.append(made)
        elif kind is MessageKind.CLEARED:
            cleared.append(made)
    return _read(raised, cleared, unread, len(kept))


def _time(time: RunTime, when: str, form: str) -> dict[str, int]:
    written_ns, resolution_ns = time.written(when, form) if when else (None, NS_PER_S)
    return {"written_ns": written_ns, "resolution_ns": resolution_ns}  # type: ignore[dict-item]


def _places(site: Site, link: str) -> Iterable[tuple[frozenset[str], TextPlace]]:
    """The alarms of each text point of a link, and what their lines look like."""
    of: dict[str, set[str]] = defaultdict(set)
    for row in site.expectations:
        of[row.point].add(row.alarm)
    for point in site.points.values():
        if point.link == link and isinstance(point.place, TextPlace):
            yield frozenset(of[point.name]), point.place


def _other(patterns: Iterable[str]) -> Callable[[str], bool]:
    compiled = [re.compile(pattern) for pattern in patterns]
    return lambda text: any(pattern.fullmatch(text.strip()) for pattern in compiled)


def split_lines(data: bytes, file: str) -> list[tuple[str, bytes]]:
    """The lines of a text file, with where each stands; a form feed begins a new one too."""
    lines = re.split(rb"\r\n|\n|\r|\f", data)
    return [(f"{file}:{number}", line) for number, line in enumerate(lines, 1)]
