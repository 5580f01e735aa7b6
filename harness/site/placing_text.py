"""The printed lines that one row of a point map means."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

from harness.core.places import TextPlace
from harness.site.forms import Form
from harness.site.link_fields import PATTERN_NAMES
from harness.site.patterns import check_pattern
from harness.site.placed import Placed, RowAlarms
from harness.site.placeholders import check_placeholders, filled, used, values_of
from harness.site.problems import Mismatch, Problems


def text_point(
    row: Form,
    link_form: Form,
    own: RowAlarms,
    problems: Problems,
) -> Iterable[Placed]:
    """The printed lines of a row: one place for each alarm where a pattern holds its text, else one for all."""
    templates = {name: row.text(name) or link_form.text(name) for name in PATTERN_NAMES}
    if not templates["raised"]:
        if "raised" not in row.broken | link_form.broken and not problems.is_cut_short:
            text = f"row {row.text('alarm')}: raised is missing, here and in link {link_form.name}"
            problems.error(row.origin, "missing", text, "add the pattern of the line that is printed when raised")
        return
    printed_time = row.text("printed time") or link_form.text("printed time")
    link_name = row.text("link")
    if not _are_templates_good(templates, row, link_form, problems):
        return
    words = used(templates.values())
    if not words:
        whose = own.names[0] if len(own.names) == 1 else row.text("alarm")
        place = _text_place(templates, printed_time, row, link_form, problems)
        if place is not None:
            yield Placed(name=f"{link_name}:{whose}", place=place, written=place.raised, alarms=own.names)
        return
    for name in own.names:
        values = values_of(own.alarms[name], own.forms[name], words, f"the pattern of {link_name}", problems)
        if values is None:
            continue
        own_texts = {key: filled(template, values, re.escape) for key, template in templates.items()}
        place = _text_place(own_texts, printed_time, row, link_form, problems)
        if place is None:
            return
        yield Placed(name=f"{link_name}:{name}", place=place, written=place.raised, alarms=(name,))


def _are_templates_good(templates: Mapping[str, str], row: Form, link_form: Form, problems: Problems) -> bool:
    """True where each word in braces stands for something."""
    are_good = True
    for name, template in templates.items():
        source = row if row.text(name) else link_form
        try:
            check_placeholders(template)
        except Mismatch as mismatch:
            problems.mismatch(source.at(name), name, template, mismatch)
            are_good = False
    return are_good


def _text_place(
    patterns: Mapping[str, str], printed_time: str, row: Form, link_form: Form, problems: Problems
) -> TextPlace | None:
    for name, pattern in patterns.items():
        if not pattern:
            continue
        source = row if row.text(name) else link_form
        try:
            check_pattern(pattern)
        except Mismatch as mismatch:
            problems.mismatch(source.at(name), name, source.text(name), mismatch)
            return None
    return TextPlace(
        raised=patterns["raised"],
        cleared=patterns["cleared"] or None,
        acknowledged=patterns["acknowledged"] or None,
        printed_time=printed_time or None,
    )
