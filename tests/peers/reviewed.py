"""Reviews in which every side effect of a site was accepted: for sites on which nothing real is moved."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

from harness.core.model import Decision, Site
from harness.site.binding import binding_of
from harness.site.moments import utc_ns_of
from harness.site.reading import load_site
from harness.site.reviews import Reviews
from harness.site.reviews_text import reviews_text


def accepted(site: Site, by: str = "test") -> Reviews:
    """All accepted, now, for this very site."""
    return Reviews(by=by, decisions=dict.fromkeys(site.side_effects, Decision.ACCEPTED))


def write_reviews(entry: Path, by: str = "test") -> Path:
    """A reviews file beside a site file that accepts all its side effects, until tomorrow. Returns its path."""
    site, _ = load_site(entry)
    now = datetime.now(UTC).astimezone()
    reviews = Reviews(
        by=by,
        decisions=accepted(site).decisions,
        at_utc_ns=utc_ns_of(now),
        expires=now.date() + timedelta(days=1),
        binding=binding_of(site),
    )
    path = entry.with_name("reviews.yaml")
    path.write_text(reviews_text(reviews, site), encoding="utf-8")
    return path
