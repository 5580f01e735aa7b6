"""What is kept of the newest polls, against a plain list of them."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from harness.run.kept import KeptPolls

MOST = 6


@settings(max_examples=300, deadline=None, derandomize=True, database=None)
@given(
    st.lists(st.one_of(st.tuples(st.integers(0, 3), st.sampled_from([b"a", b"b"])), st.integers(-2, 80)), max_size=40)
)
def test_it_is_the_end_of_a_list(told: list[tuple[int, bytes] | int]) -> None:
    """A pair is a poll so much later than the one before, a number an instant to forget before."""
    kept, plain, at = KeptPolls(MOST), list[tuple[int, int, bytes]](), 0
    for it in told:
        if isinstance(it, int):
            kept.forget_before(it)
            while len(plain) > 1 and plain[1][1] < it:
                del plain[0]
        else:
            at += it[0]
            assert kept.add(at, at + 1, it[1]) == (bool(plain) and plain[-1][2] == it[1])
            plain = [*plain, (at, at + 1, it[1])][-MOST:]
        assert len(kept) == len(plain)
        assert kept.last_asked_ns == (plain[-1][0] if plain else -1)
    polls = kept.polls()
    assert polls.asked.tolist() == [asked for asked, _, _ in plain]
    assert polls.told.tolist() == [last for _, last, _ in plain]
    starts = [at for at in range(len(plain)) if at == 0 or plain[at][2] != plain[at - 1][2]]
    assert polls.starts.tolist() == starts
    assert polls.payloads == [plain[at][2] for at in starts]


def test_what_is_copied_stays_as_it_is() -> None:
    kept = KeptPolls(MOST)
    kept.add(1, 2, b"a")
    copied = kept.polls()
    kept.add(3, 4, b"b")
    assert copied.asked.tolist() == [1]
    assert copied.payloads == [b"a"]
