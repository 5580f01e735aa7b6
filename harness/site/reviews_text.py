"""Writes reviews as the file that ``parse_reviews`` reads, with what a reader of it should know. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import tzinfo

from harness.core.model import Site
from harness.site.moments import moment_text
from harness.site.reviews import Reviews


def reviews_text(reviews: Reviews, site: Site, zone: tzinfo | None = None) -> str:
    """The file of reviews of a site, ended by a line feed. Times are those of ``zone``, else of this computer.

    ValueError where they are not bound or have no day of expiry: such a file is refused by every test.
    """
    if reviews.binding is None or reviews.expires is None:
        raise ValueError("reviews without a binding and a day of expiry are not written: a test would refuse them")
    return "\n".join(_lines(reviews, site, zone)) + "\n"


def _lines(reviews: Reviews, site: Site, zone: tzinfo | None) -> Iterator[str]:
    binding = reviews.binding
    yield f"# Decisions about the side effects of {_plain(site.name)}. Valid through the end of the day 'expires',"
    yield "# and only for a site file that does the same things: 'bound to' comes from its side effects and writes."
    yield f"reviewed by: {_quoted(reviews.by)}"
    if reviews.at_utc_ns is not None:
        yield f"reviewed at: {moment_text(reviews.at_utc_ns, zone)}"
    yield f"expires: {reviews.expires}"
    yield f"bound to: {binding.whole if binding else ''}"
    yield "side effects:" if reviews.decisions else "side effects: {}"
    for name, decision in reviews.decisions.items():
        effect, detail = site.side_effects.get(name), reviews.detail(name)
        yield f"  {_quoted(name)}:" + (f" # {_plain(effect.text)}; {_plain(effect.hazard)}" if effect else "")
        yield f"    decision: {decision.value}"
        for word, text in (("isolated", detail.isolated), ("by", detail.by), ("note", detail.note)):
            if text:
                yield f"    {word}: {_quoted(text)}"
        if detail.at_utc_ns is not None:
            yield f"    at: {moment_text(detail.at_utc_ns, zone)}"
    yield "# Alarms or points that are known to be on, each with the reason: what masks others is confirmed by name."
    yield from _named("standing", reviews.standing, quoted=True)
    if binding is not None:
        yield "bound parts: # made by farend; they only say what changed once the site file does other things"
        for title, parts in (
            ("side effects", binding.side_effects),
            ("alarms", binding.alarms),
            ("links", binding.links),
        ):
            yield from (f"  {line}" for line in _named(title, parts))


def _named(title: str, values: Mapping[str, str], *, quoted: bool = False) -> Iterator[str]:
    yield f"{title}:" if values else f"{title}: {{}}"
    for name, value in values.items():
        yield f"  {_quoted(name)}: {_quoted(value) if quoted else value}"


def _plain(text: str) -> str:
    """One line of what can be printed; everything else would make the file unreadable."""
    return "".join(c if c.isprintable() else "?" for c in " ".join(text.split()))


def _quoted(text: str) -> str:
    plain = _plain(text)
    is_word = plain.isascii() and plain.replace("-", "").replace("_", "").replace(".", "").isalnum()
    return plain if is_word else "'" + plain.replace("'", "''") + "'"
