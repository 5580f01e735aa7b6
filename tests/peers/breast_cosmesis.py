"""Time to cosmetic deterioration of the breast in months, (last visit without, first visit with]: a published data set.

Finkelstein, Wolfe, *Biometrics* 41 (1985) 933, Table 1, with the content of ``bcos`` in the R package interval 1.1-1.0.
Other packages hold data of the same name with rows that differ. The estimates are those of Fay, Shaw,
*J. Stat. Software* 36(2) (2010), 4.1.
"""

from __future__ import annotations

from harness.core.instants import FOREVER, Bounds

RADIATION = (
    "0-5 0-7 0-8 4-11 5-11 5-12 6-10 7-14 7-16 11-15 11-18 15- 17-25 17-25 17- 18- 19-26 19-35 22- 24- 24- 25-37 26-40 "
    "27-34 32- 33- 34- 36-44 36-48 36- 36- 37-44 37- 37- 37- 38- 40- 45- 46- 46- 46- 46- 46- 46- 46- 46-"
)
WITH_CHEMOTHERAPY = (
    "0-5 0-22 4-8 4-9 5-8 8-12 8-21 10-17 10-35 11-13 11-17 11-20 11- 11- 12-20 13-39 13- 13- 13- 14-17 14-19 "
    "15-22 16-20 16-24 16-24 16-60 17-23 17-26 17-27 18-24 18-25 19-32 21- 22-32 23- 24-30 24-31 30-34 30-36 31- "
    "32- 33-40 34- 34- 35-39 35- 44-48 48-"
)

PUBLISHED_RADIATION = {  # (after, until] in months: share
    (4, 5): 0.0463,
    (6, 7): 0.0334,
    (7, 8): 0.0887,
    (11, 12): 0.0708,
    (24, 25): 0.0926,
    (33, 34): 0.0818,
    (38, 40): 0.1209,
    (46, 48): 0.4656,
}
PUBLISHED_WITH_CHEMOTHERAPY = {
    (4, 5): 0.0433,
    (5, 8): 0.0433,
    (11, 12): 0.0692,
    (16, 17): 0.1454,
    (18, 19): 0.1411,
    (19, 20): 0.1157,
    (24, 25): 0.0999,
    (30, 31): 0.0709,
    (35, 36): 0.1608,
    (44, 48): 0.0552,
    (48, 60): 0.0552,
}


def after_until(after: int, until: int | None) -> Bounds:
    """A time in (after, until], as the literature writes it; ``until`` None: not seen to end.

    Bounds are closed and times whole, so this is [after + 1, until]. An estimator that takes (4, 5] and (5, 8] for
    closed lets both hold at 5 and is wrong.
    """
    return Bounds(after + 1, FOREVER if until is None else until)


def months(rows: str) -> list[Bounds]:
    """One interval a row, in whole months."""
    pairs = [row.split("-") for row in rows.split()]
    return [after_until(int(after), int(until) if until else None) for after, until in pairs]
