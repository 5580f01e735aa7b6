"""Events of BACnet objects that a stimulus acknowledges, and the site's permission for it.

Acknowledging changes the device (ASHRAE 135, 13.5), so it needs a line of its own under ``writable``, as a write does:
``{link: building, acknowledge: yes}``.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from harness.core.links import BacnetLink, LinkSpec
from harness.core.model import Acknowledgement
from harness.site.forms import Form, Value
from harness.site.linking import kind_of, known_link
from harness.site.names import shown
from harness.site.problems import Problems
from harness.site.protocol_kinds import ObjectRef


def build_acknowledgeable(values: Iterable[Value]) -> tuple[str, ...]:
    """The links over which events may be acknowledged; what is wrong with them ``build_writable`` says."""
    forms = [value.means for value in values if isinstance(value.means, Form)]
    return tuple(dict.fromkeys(form.text("link") for form in forms if form.get("acknowledge", bool)))


def check_permission(form: Form, link: LinkSpec | None, link_forms: Mapping[str, Form], problems: Problems) -> None:
    """What permits acknowledging names a bacnet link and nothing else."""
    for name in ("unit", "coil", "holding register", "object", "property", "priority"):
        if name in form.values:
            what = "have no address" if name in ("unit", "coil", "holding register") else "are those of every object"
            text = f"{name}={shown(form.written(name))}: acknowledge: speaks of events, which {what}"
            problems.error(form.at(name), "acknowledge", text, "make two lines of it")
    if link is not None and not isinstance(link, BacnetLink):
        kind = kind_of(link_forms[link.name])
        text = f"link={link.name}: events are acknowledged over a bacnet link, and this is a {kind} link"
        problems.error(form.at("link"), "acknowledge", text, "name a bacnet link")


def is_acknowledgement(value: Value) -> bool:
    """True for a line of a step that acknowledges the event of an object and writes nothing."""
    form = value.means
    is_write = isinstance(form, Form) and any(form.has(name) for name in ("property", "value", "priority"))
    return isinstance(form, Form) and form.has("object") and not is_write


def acknowledgements_of(
    values: Iterable[Value],
    code: int | None,
    links: Mapping[str, LinkSpec],
    link_forms: Mapping[str, Form],
    problems: Problems,
) -> Iterable[Acknowledgement]:
    """What a step acknowledges; ``code`` is the alarm's own, None where it has none."""
    for value in values:
        form = value.means
        if not isinstance(form, Form) or not is_acknowledgement(value):
            continue
        link = known_link(form, links, link_forms, problems)
        if link is not None and not isinstance(link, BacnetLink):
            text = f"object={shown(form.written('object'))}: a {kind_of(link_forms[link.name])} link has no objects"
            problems.error(form.at("object"), "acknowledge", text, "name a bacnet link")
            continue
        strange = next((name for name in ("unit", "coil", "holding register", "values") if name in form.values), "")
        if strange:
            text = f"{strange}={shown(form.written(strange))}: an event is acknowledged by its object alone"
            problems.error(form.at(strange), "acknowledge", text, "delete it, or make two lines of it")
            continue
        ref = form.get("object", ObjectRef)
        if ref is None or link is None:
            continue
        if ref.instance is None and code is None:
            report_no_code(value, f"object={shown(form.written('object'))}", problems)
            continue
        instance = ref.instance if ref.instance is not None else code or 0
        yield Acknowledgement(link=link.name, object_type=ref.object_type, instance=instance)


def report_no_code(value: Value, written: str, problems: Problems) -> None:
    """The word code stands for the number of an alarm, and this alarm has none."""
    remedy = "add code: and the number that the controller knows it by, or write that number here"
    problems.error(value.origin, "code", f"{written}: code stands for the alarm's own number, and it has none", remedy)
