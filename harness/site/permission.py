"""What a site permits a stimulus to do: its word, and its own list. Nothing here can write."""

from __future__ import annotations

from harness.core.errors import SafetyError
from harness.core.model import Acknowledgement, Site
from harness.core.writing import AnyWritable, AnyWrite, written_words


def check_word(site: Site, word: str | None) -> None:
    """Raise SafetyError unless ``word`` is the site's own."""
    if word is None:
        raise SafetyError(
            f"site={site.name}: not armed, so nothing is raised; add '--arm {site.name}' once the plan was reviewed"
        )
    if word != site.name:
        raise SafetyError(
            f"--arm {word}: this site file is site={site.name}; the word to arm it is its own name, so that no "
            "other site is written to by mistake"
        )


def check_acknowledgeable(site: Site, it: Acknowledgement) -> None:
    """Raise SafetyError unless events of the link may be acknowledged by the site file's own list."""
    if it.link not in site.acknowledgeable:
        raise SafetyError(
            f"link={it.link} object={it.object_type.value} {it.instance}: its events may not be acknowledged; add "
            f"'{{link: {it.link}, acknowledge: yes}}' under 'writable' if a stimulus may do that"
        )


def check_listed(site: Site, write: AnyWrite) -> AnyWritable:
    """The line of the site file's own list that permits all of ``write``. Raises SafetyError where there is none."""
    found = next((it for it in site.writable if it.covers(write)), None)
    if found is None:
        raise SafetyError(
            f"link={write.link} {written_words(write)}: not on the site file's list of writable points; add them under "
            "'writable' if a stimulus may write there"
        )
    return found
