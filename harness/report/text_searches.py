"""The shortest alarm that each output shows, as plain lines; where none is proven, why and what to do."""

from __future__ import annotations

from harness.core.durations import at_most
from harness.measure.shortest_shown import Finding
from harness.report.columns import Terminal
from harness.report.human import count
from harness.report.measured import Measured, SearchTold
from harness.report.measured_sentences import claim_name, search_groups
from harness.report.measured_words import down


def search_lines(told: Measured, to: Terminal) -> list[str]:
    """The shortest alarm that each output shows."""
    lines: list[str] = []
    for head, searches in search_groups(told):
        lines += to.wrapped(f"{head}:", hang=4, keep_units=True)
        for one in searches:
            text = f"{claim_name(one)}: {told_words(one)}"
            lines += to.wrapped(text, first=4, hang=8, keep_units=True)
    return lines


def told_words(one: SearchTold) -> str:
    """What came of a search, and why nothing of it may be called proven."""
    unproven = f"NOT PROVEN: {'; '.join(one.unproven)}; " if one.unproven else ""
    return f"{unproven}{search_words(one.finding)}"


def search_words(found: Finding) -> str:
    """What is proven of one output; where no length is, why not, and what would."""
    parts = []
    if found.reliable is not None:
        proof = found.reliable
        parts.append(f"shown when held for {at_most(proof.held_ns)} or longer ({proof.shown} of {proof.tries} were)")
    else:
        parts.append(f"of no length that was tried it is proven that it is shown often enough{_not_proven(found)}")
    if found.lost is not None:
        lost = found.lost
        parts.append(f"lost too often at {down(lost.held_ns)} or shorter ({lost.shown} of {lost.tries} may have shown)")
    if found.hopeful is not None:
        more = "" if found.reliable is None else f", which proves nothing: {_could(found)}"
        hopeful = f"{found.hopeful.shown} of {found.hopeful.tries}"
        parts.append(f"held for {at_most(found.hopeful.held_ns)} it was shown every time ({hopeful}){more}")
    if found.unknown:
        slow = "they count as not shown, so that a slow poll of farend's own makes the length longer"
        parts.append(f"{count(found.tries, 'try', 'tries')}, {found.unknown} of which nobody can tell: {slow}")
    else:
        parts.append(f"{count(found.tries, 'try', 'tries')}")
    if not found.is_over:
        parts.append("the search was not ended")
    return "; ".join(parts)


def _could(found: Finding) -> str:
    """What could prove a length that was shown every time, and was not tried to be proven."""
    if not found.tries_left or found.hopeful is None:
        return "more --tries could"
    held = at_most(found.hopeful.held_ns)
    return f"it was chosen by what it showed, and proofs take tries of their own; another run with --held {held} could"


def _not_proven(found: Finding) -> str:
    """Why, and what to do: an unlucky proof takes more tries, and what is lost at the longest takes a longer one."""
    longest = found.longest
    if longest is None or not found.is_over:
        return ""
    if found.unknown == found.tries:
        return ": nobody can tell of any; see what 'farend explain' finds, or poll faster"
    if longest.shown == longest.tries:
        return ": the tries were used up before; give more --tries"
    told = f"{longest.shown} of {longest.tries} were shown for certain when held for {at_most(longest.held_ns)}"
    if found.lost is not None and found.lost.held_ns >= longest.held_ns:
        return f": {told}, the longest that was tried; give a longer --held"
    return f": {told}, the longest that was tried; give a longer --held, or more --tries"
