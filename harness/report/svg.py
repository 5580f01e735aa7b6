"""What pictures share: how they begin, the page around one, and labels that are cut."""

from __future__ import annotations

from html import escape
from typing import Final

STYLE: Final = (
    "text{font-family:sans-serif;font-size:12px;fill:#111}.t{font-size:16px;font-weight:bold}.s{fill:#555}"
    ".n{font-weight:bold}.g{stroke:#ddd;stroke-width:1}.a{stroke:#555;stroke-width:1}.b{fill:#ddd}"
)
"""Black and grey: colour is for verdicts."""

_TITLE_CHAR: Final = 9.0
"""About the mean width of a character of a title, in units of the picture (bold sans-serif at 16; from memory)."""


def opening(width: int, height: int, *, title: str, under: str, style: str) -> list[str]:
    """The first lines of a document that stands alone, with its title and a line beneath it. ``style``: besides STYLE.

    ``title`` and ``under`` are safe text, and are escaped here.
    """
    size = f'viewBox="0 0 {width} {height}" width="{width}" height="{height}"'
    return [
        f'<svg xmlns="http://www.w3.org/2000/svg" {size} role="img" aria-label="{escape(title, quote=True)}">',
        f"<style>{STYLE}{style}</style>",
        f'<rect width="{width}" height="{height}" fill="#fff"/>',
        f'<text class="t" x="16" y="26"{_squeezed(title, width - 32)}>{escape(title)}</text>',
        f'<text class="s" x="16" y="46">{escape(under)}</text>',
    ]


def _squeezed(title: str, room: int) -> str:
    """What makes a long title fit: a font is not measured here, so that it is by its characters."""
    is_long = len(title) * _TITLE_CHAR > room
    return f' textLength="{room}" lengthAdjust="spacingAndGlyphs"' if is_long else ""


def page(title: str, svg: str) -> str:
    """A page with nothing on it but the picture, for whoever has no viewer of SVG. ``title`` is safe text.

    A narrow screen scrolls the picture, since its letters would be too small to read, and has the title above it.
    """
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"><meta name="viewport" '
        f'content="width=device-width"><title>{escape(title)}</title>'
        "<style>body{margin:0;background:#fff}svg{max-width:100%;height:auto}h1{display:none}@media screen and "
        "(max-width:700px){div{overflow-x:auto}svg{min-width:760px}h1{display:block;font:bold 16px sans-serif;"
        "margin:12px 16px}}</style></head>\n"
        f'<body>\n<h1>{escape(title)}</h1>\n<div tabindex="0" role="region" aria-label="Picture">\n{svg}</div>'
        "</body></html>\n"
    )


def cut(text: str, most: int) -> str:
    """At most so many characters; what was cut ends in ``..``."""
    return text if len(text) <= most else text[: most - 2] + ".."
