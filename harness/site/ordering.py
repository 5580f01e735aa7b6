"""When an alarm is acknowledged: while it is active, or after it has cleared, or once each way."""

from __future__ import annotations

from typing import Final

from harness.core.model import Step
from harness.site.forms import Form
from harness.site.problems import Problems

FIELD: Final = "acknowledge after"


def acknowledge_after_of(form: Form, stimulus: Form | None, problems: Problems) -> tuple[Step, ...]:
    """The steps after which the tests of an alarm acknowledge it: its own, else those of the site; () where none says.

    An alarm that clears by itself is acknowledged after that: to say otherwise of it is an error.
    """
    own = _steps(form)
    if form.has("lasts"):
        if Step.RAISE in own:
            text = f"{FIELD}={', '.join(own)}: the alarm clears by itself (lasts), maybe before anybody acknowledges it"
            problems.error(form.at(FIELD), "acknowledge-after", text, "write clear, or delete it")
        return ()
    return own if own or stimulus is None else _steps(stimulus)


def _steps(form: Form) -> tuple[Step, ...]:
    return tuple(dict.fromkeys(value.means for value in form.many(FIELD) if isinstance(value.means, Step)))
