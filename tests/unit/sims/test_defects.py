"""Specifications of defects: what they mean, what a seed chooses, and what a wrong one is told."""

import itertools
import os
import random
import re
import subprocess
import sys

import pytest

from sims.alarms import BY_NAME, related
from sims.defect_kinds import KINDS, Name, Target
from sims.defects import Defect, list_defects, resolve
from sims.points import Place

EVERY_KIND_AND_PLACE = [(kind.name, place) for kind in KINDS.values() for place in kind.places]


def one(spec: str, seed: int = 0) -> Defect:
    return resolve([spec], seed)[0]


@pytest.mark.parametrize(
    ("spec", "defect"),
    [
        (
            "wrong-bit:bulk-a.high@bms=day.low",
            Defect(name=Name.WRONG_BIT, place=Place.BMS, alarm="bulk-a.high", other="day.low"),
        ),
        ("late:day.high=5s", Defect(name=Name.LATE, place=Place.BMS, alarm="day.high", duration_ns=5_000_000_000)),
        ("stuck:horn@bms.horn", Defect(name=Name.STUCK, place=Place.HORN, alarm="horn")),
        ("never-appears@bms.horn", Defect(name=Name.NEVER_APPEARS, place=Place.HORN, alarm="horn")),
        ("inverted:common-fault@bms", Defect(name=Name.INVERTED, place=Place.BMS, alarm="common-fault")),
        ("off-by-one@panel", Defect(name=Name.OFF_BY_ONE, place=Place.PANEL)),
        ("exceptions@bms.tanks=6", Defect(name=Name.EXCEPTIONS, place=Place.TANKS, code=6)),
        ("frozen@bms=2s", Defect(name=Name.FROZEN, place=Place.BMS, duration_ns=2_000_000_000)),
        ("frozen@bms.tanks", Defect(name=Name.FROZEN, place=Place.TANKS, duration_ns=0)),
        ("frozen:day.low@bms.all", Defect(name=Name.FROZEN, place=Place.BMS_ALL, alarm="day.low")),
        (
            "late-answers@panel=20%,100ms",
            Defect(name=Name.LATE_ANSWERS, place=Place.PANEL, duration_ns=100_000_000, share=0.2),
        ),
        ("resets", Defect(name=Name.RESETS, place=Place.BMS, share=0.02)),
        ("repeated-message:day.low", Defect(name=Name.REPEATED_MESSAGE, place=Place.PRINTER, alarm="day.low",
                                            duration_ns=300_000_000)),
    ],
)  # fmt: skip
def test_what_a_specification_means(spec: str, defect: Defect) -> None:
    assert one(spec) == defect


@pytest.mark.parametrize(
    ("spec", "message"),
    [
        ("wrong-bti", "defect 'wrong-bti': name=wrong-bti: expected one of .*; did you mean wrong-bit\\?"),
        ("late@printre", "place=printre: expected one of bms, panel, .*; did you mean printer\\?"),
        ("late:bulk-a.hihg@bms", "alarm=bulk-a.hihg: expected one of .*; did you mean bulk-a.high\\?"),
        ("late:panel.battery-low@bms", "alarm=panel.battery-low: expected one of bulk-a.high-high"),
        ("leak:day.high", "alarm=day.high: expected one of bulk-a.delivery-due"),
        ("zeros:day.high@bms", "alarm=day.high: expected none: the whole block has this defect"),
        ("zeros@bms=3", "value=3: expected no value"),
        ("late@bms=3", "value=3: expected a time such as 300ms"),
        ("dropped-answers=0%", "value=0%: expected a share above 0% and up to 100%"),
        ("dropped-answers=101%", "value=101%: expected a share above 0% and up to 100%"),
        ("dropped-answers=x%", "value=x%: expected a share above 0% and up to 100%"),
        ("exceptions=9", "value=9: expected an exception code out of"),
        ("late-answers=3", "value=3: expected a time such as 300ms or a share such as 10%"),
        ("wrong-bit:bulk-a.high=bulk-a.high", "expected an alarm that does not come with bulk-a.high anyway"),
        ("wrong-bit:bulk-a.high=bulk-a.high-high", "expected an alarm that does not come with bulk-a.high anyway"),
        ("frozen:day.high@bms=3s", "expected an alarm or a time, not both"),
    ],
)  # fmt: skip
def test_what_a_wrong_one_is_told(spec: str, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        resolve([spec], 0)


def test_two_defects_of_time_at_one_point_are_refused() -> None:
    with pytest.raises(ValueError, match=r"'late:day\.high@bms' is at the same point already"):
        resolve(["late:day.high@bms", "stuck:day.high@bms"], 0)
    assert len(resolve(["late:day.high@bms", "stuck:day.high@printer"], 0)) == 2


def test_there_are_enough_kinds_to_tell_apart() -> None:
    assert set(KINDS) == set(Name)
    assert len(KINDS) >= 25
    assert len({kind.sentence for kind in KINDS.values()}) == len(KINDS)


@pytest.mark.parametrize("name", list(Name))
def test_a_seed_chooses_among_all_places_of_a_kind(name: Name) -> None:
    chosen = {one(f"{name}@any", seed).place for seed in range(400)}
    assert chosen == set(KINDS[name].places)


def test_a_seed_chooses_a_place_that_the_site_has_and_that_is_free() -> None:
    places = (Place.PANEL, Place.BMS, Place.HORN)
    for seed in range(50):
        chosen = resolve(["late@any", "stuck@any", "never-appears:day.low@any"], seed, places)
        assert {defect.place for defect in chosen[:2]} <= set(places)
        assert len({defect.place for defect in chosen}) == 3 or chosen[2].place is not Place.HORN
        assert chosen[2].place in (Place.PANEL, Place.BMS)


@pytest.mark.parametrize(
    ("specs", "message"),
    [
        (["noise@bus.3"], "place=bus.3: this site has no bus: have it too"),
        (["noise@any"], "place=any: this site has none of bus.1, bus.3"),
    ],
)
def test_a_place_that_the_site_does_not_have(specs: list[str], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        resolve(specs, 0, (Place.PANEL, Place.BMS))


@pytest.mark.parametrize(
    ("specs", "message"),
    [
        (["dead-unit@bus.3", "stuck@bus.3"], "nobody would see 'stuck@bus.3' at a unit that never answers"),
        (["wrong-unit@bus.3=9", "wrong-unit@bus.4=9"], "value=9: 'wrong-unit@bus.[34]=9' has this address already"),
        (["lost-source", "stale-cache"], "a gateway either answers what it saw last, or 'lost-source'"),
    ],
)
def test_two_that_would_hide_each_other_are_refused(specs: list[str], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        resolve(specs, 0)


@pytest.mark.parametrize("seed", range(200))
def test_pairs_at_random_places(seed: int) -> None:
    """Any two kinds at places that the seed chooses: each at its own place, with everything chosen, or refused."""
    dice = random.Random(seed)
    specs = [f"{name}@any" for name in dice.sample(list(Name), 2)]
    chosen = resolve(specs, seed)
    assert resolve([defect.spec for defect in chosen], seed + 1) == chosen


@pytest.mark.parametrize(("name", "place"), EVERY_KIND_AND_PLACE)
def test_a_seed_completes_every_kind_at_every_place(name: Name, place: Place) -> None:
    for seed in range(20):
        defect = one(f"{name}@{place}", seed)
        assert defect.place is place
        if KINDS[name].target in (Target.ALARM, Target.SIGNAL, Target.WARNING) and name is not Name.FROZEN:
            assert defect.alarm is not None
        if defect.other is not None and defect.alarm is not None:
            assert not related(BY_NAME[defect.alarm], BY_NAME[defect.other])
        assert one(defect.spec, seed=seed + 1) == defect, "the full specification leaves nothing to the seed"


def test_different_seeds_choose_differently() -> None:
    assert len({one("wrong-bit", seed).spec for seed in range(50)}) > 20


def test_a_seed_aims_no_two_defects_at_one_alarm() -> None:
    specs = ["swapped-pair", "wrong-bit", "late", "stuck", "too-short:bulk-a.high", "never-appears", "inverted"]
    for seed in range(200):
        chosen = resolve(specs, seed)
        names = [name for defect in chosen for name in (defect.alarm, defect.other) if name is not None]
        for first, second in itertools.combinations(names, 2):
            assert not related(BY_NAME[first], BY_NAME[second]), [defect.spec for defect in chosen]


def test_a_seed_chooses_the_same_in_every_process() -> None:
    """The hash seed of the interpreter has no say."""
    program = "from sims.defects import resolve; print([d.spec for d in resolve(['swapped-pair', 'leak', 'late'], 7)])"
    seen = {
        subprocess.run(  # noqa: S603 - this interpreter, the program above
            [sys.executable, "-c", program],
            env=os.environ | {"PYTHONHASHSEED": hash_seed, "PYTHONPATH": os.pathsep.join(sys.path)},
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for hash_seed in ("1", "2")
    }
    assert seen == {f"{[defect.spec for defect in resolve(['swapped-pair', 'leak', 'late'], 7)]}\n"}


def test_the_list_has_every_kind_with_its_sentence() -> None:
    listed = list_defects()
    for name in Name:
        assert re.search(rf"^{name}\n    {re.escape(KINDS[name].sentence)}$", listed, re.MULTILINE)
