"""Who answers to which address, and what defects make of an answer."""

import pytest

from sims.defect_kinds import Name
from sims.defects import Defect, resolve
from sims.outputs import Image
from sims.points import REPEATED, REPEATERS, Place, Table
from sims.rtu import framed, unframed
from sims.units import Unit, at_addresses, number_of, reading

REQUEST = bytes.fromhex("02 0000 0018")


def unit(number: int, *specs: str, log: list[str] | None = None) -> Unit:
    image = Image()
    image.define(Table.DISCRETE_INPUT, 0, 24)
    image.set(REPEATED[number][3], 1)
    told = [] if log is None else log
    return Unit(number, reading(image), resolve(specs, 1), 1, lambda defect, _: told.append(defect.name))


def test_a_healthy_unit() -> None:
    answer = unit(3).answer(3, REQUEST)
    assert answer is not None
    assert answer.after_ns == 0
    assert unframed(answer.frame) == (3, bytes.fromhex("02 03 08 00 00"))


@pytest.mark.parametrize(("start", "count", "bits"), [(3, 1, "01"), (0, 3, "00"), (2, 9, "0200"), (15, 17, "000000")])
def test_bits_from_anywhere(start: int, count: int, bits: str) -> None:
    answer = unit(1).answer(1, bytes((2, 0, start, 0, count)))
    assert answer is not None
    assert unframed(answer.frame) == (1, bytes((2, len(bits) // 2)) + bytes.fromhex(bits))


@pytest.mark.parametrize(("start", "count"), [(32, 1), (0, 33), (31, 2)])
def test_what_does_not_exist(start: int, count: int) -> None:
    answer = unit(1).answer(1, bytes((2, 0, start, 0, count)))
    assert answer is not None
    assert unframed(answer.frame) == (1, b"\x82\2")


def test_dead() -> None:
    assert unit(4, "dead-unit@bus.4").answer(4, REQUEST) is None
    assert unit(3, "dead-unit@bus.4").answer(3, REQUEST) is not None


def test_slow() -> None:
    answer = unit(4, "slow-unit@bus.4=70ms").answer(4, REQUEST)
    assert answer is not None
    assert answer.after_ns == 70_000_000


def test_another_address_in_the_answer() -> None:
    answer = unit(4, "foreign-answers@bus.4=9").answer(4, REQUEST)
    assert answer is not None
    assert unframed(answer.frame) == (9, bytes.fromhex("02 03 08 00 00"))


def test_exceptions() -> None:
    answer = unit(4, "exceptions@bus.4=6").answer(4, REQUEST)
    assert answer is not None
    assert unframed(answer.frame) == (4, b"\x82\6")


def test_the_other_table() -> None:
    one = unit(4, "other-table@bus.4")
    refused, found = one.answer(4, REQUEST), one.answer(4, b"\1" + REQUEST[1:])
    assert refused is not None
    assert found is not None
    assert unframed(refused.frame) == (4, b"\x82\2")
    assert unframed(found.frame) == (4, bytes.fromhex("01 03 08 00 00"))


@pytest.mark.parametrize("spec", ["noise@bus.4=30%", "noise@bus.all=30%"])
def test_noise_turns_one_bit_over_and_no_crc_matches(spec: str) -> None:
    log: list[str] = []
    one = unit(4, spec, log=log)
    whole = framed(4, bytes.fromhex("02 03 08 00 00"))
    answers = [one.answer(4, REQUEST) for _ in range(200)]
    frames = [answer.frame for answer in answers if answer is not None]
    noisy = [frame for frame in frames if frame != whole]
    assert len(frames) == 200
    assert len(noisy) == log.count(Name.NOISE)
    assert 30 < len(noisy) < 90
    for frame in noisy:
        assert unframed(frame) is None
        assert sum((a ^ b).bit_count() for a, b in zip(frame, whole, strict=True)) == 1


@pytest.mark.parametrize(
    ("spec", "lost", "halved", "late"),
    [
        ("dropped-answers@bus.4=40%", True, False, False),
        ("half-frames@bus.all=40%", False, True, False),
        ("late-answers@bus.4=90ms,40%", False, False, True),
    ],
)
def test_what_happens_to_a_share(spec: str, lost: bool, halved: bool, late: bool) -> None:
    log: list[str] = []
    one = unit(4, spec, log=log)
    answers = [one.answer(4, REQUEST) for _ in range(100)]
    whole = framed(4, bytes.fromhex("02 03 08 00 00"))
    there = [answer for answer in answers if answer is not None]
    hit = {
        "lost": answers.count(None),
        "halved": sum(answer.frame == whole[:4] for answer in there),
        "late": sum(answer.after_ns == 90_000_000 for answer in there),
    }
    assert hit == {"lost": lost * len(log), "halved": halved * len(log), "late": late * len(log)}
    assert 20 < len(log) < 60


def test_the_dice_of_one_unit_are_its_own() -> None:
    """What happens to one does not depend on how often another is asked."""
    alone, beside, other = (unit(number, "dropped-answers@bus.all=50%") for number in (1, 1, 3))
    first = [alone.answer(1, REQUEST) is None for _ in range(50)]
    second = []
    for _ in range(50):
        other.answer(3, REQUEST)
        second.append(beside.answer(1, REQUEST) is None)
    assert first == second


@pytest.mark.parametrize(
    ("specs", "listening"),
    [
        ([], {1: 1, 2: 2, 3: 3, 4: 4, 5: 5}),
        (["wrong-unit@bus.3=12"], {1: 1, 2: 2, 12: 3, 4: 4, 5: 5}),
        (["swapped-units=4"], {1: 1, 2: 4, 3: 3, 4: 2, 5: 5}),
        (["swapped-units=4", "wrong-unit@bus.1=9"], {9: 1, 2: 4, 3: 3, 4: 2, 5: 5}),
    ],
)
def test_addresses(specs: list[str], listening: dict[int, int]) -> None:
    assert at_addresses(resolve(specs, 0)) == listening


@pytest.mark.parametrize("seed", range(20))
def test_a_seed_never_gives_one_address_to_two_units(seed: int) -> None:
    defects: tuple[Defect, ...] = resolve([f"wrong-unit@{place}" for place in REPEATERS.values()], seed)
    assert len({defect.number for defect in defects}) == len(defects)
    assert sorted(at_addresses(defects).values()) == [1, 2, 3, 4, 5]


def test_numbers() -> None:
    assert [number_of(place) for place in (Place.BUS_1, Place.BUS_LOOP, Place.BUS_5)] == [1, 2, 5]
