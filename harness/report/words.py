"""The fixed words of every report: cautions, what a point proves, the meaning of each verdict."""

from __future__ import annotations

from typing import Final

from harness.core.verdicts import Verdict, VerdictClass

NOT_TESTED: Final = "Sensing element not tested."

DEFERENCE: Final = (
    "Local codes, the authority having jurisdiction and the requirements of licensed practice come first; where they "
    "ask for more, or for a test of another kind, they decide."
)

CODES_FIRST: Final = "Local codes, the authority having jurisdiction and licensed practice come first."

CAUTIONS: Final = (
    (
        "Every alarm in this report was simulated. A simulated alarm proves the path behind the sensing element: from "
        "the controller's alarm logic to the outputs named here. It does not prove that the sensing element would have "
        "found the condition."
    ),
    (
        "That farend read a point does not prove that the building system, or any person, heard the alarm. For each "
        "point this report says up to where it is proved."
    ),
    (
        "What was not observed is not evidence. A result that is unknown is not a pass, and has to be tested again or "
        "shown by other means."
    ),
    (f"This report is a measurement. It is no certificate and no inspection. {DEFERENCE}"),
)

CLASS_WORD: Final = {VerdictClass.PASS: "pass", VerdictClass.FAIL: "fail", VerdictClass.UNKNOWN: "unknown"}
CLASS_MEANING: Final = {
    VerdictClass.PASS: "proven: every course of events that fits what was seen meets all that was demanded",
    VerdictClass.FAIL: "disproven: no course of events that fits what was seen meets all that was demanded",
    VerdictClass.UNKNOWN: "what was seen fits both, or nothing was seen; it counts as neither, and never as a pass",
}

NOT_PLANNED: Final = "not tested"
NOT_PLANNED_MEANING: Final = "no record in this report set out to test this row"

TERMS: Final = (
    ("alarm", "one condition that the controller can raise"),
    ("point", "one place on a link where alarms appear: an input, a bit, a printed line"),
    ("link", "one connection over which outputs are observed"),
    ("stimulus", "one simulated alarm event: raised, acknowledged, cleared, each at a time known within bounds"),
    ("bounds", "the true value lies between the two; they are as narrow as the reading allows, and rounded outwards"),
    ("latency", "from the raise until the alarm shows at the point"),
    ("visible", "from its onset at the point until its end there"),
    (
        "hold",
        "the shortest time for which a point is ever on, and off; so short a gap hides nothing",
    ),
    ("blind time", "a time in which a link was not observed; never evidence of anything"),
    ("reference point", "the point trusted to say when the alarm was really raised and cleared"),
    ("attributed", "the onset lies wholly after the raise, so that nothing else can have begun it"),
)


def glossary() -> tuple[tuple[Verdict, str], ...]:
    """Every verdict word with its meaning, in the order of the classes: fail, unknown, pass."""
    order = (VerdictClass.FAIL, VerdictClass.UNKNOWN, VerdictClass.PASS)
    return tuple((verdict, verdict.meaning) for one in order for verdict in Verdict if verdict.verdict_class is one)
