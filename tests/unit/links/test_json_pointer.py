"""JSON pointers: the examples of RFC 6901, section 5, and what leads nowhere."""

from __future__ import annotations

import json

import pytest

from harness.links.json_pointer import look_up, tokens_of

DOCUMENT = json.loads(
    r"""
    {
      "foo": ["bar", "baz"],
      "": 0,
      "a/b": 1,
      "c%d": 2,
      "e^f": 3,
      "g|h": 4,
      "i\\j": 5,
      "k\"l": 6,
      " ": 7,
      "m~n": 8
    }
    """
)  # RFC 6901, 5


@pytest.mark.parametrize(
    ("pointer", "value"),
    [
        ("", DOCUMENT),
        ("/foo", ["bar", "baz"]),
        ("/foo/0", "bar"),
        ("/", 0),
        ("/a~1b", 1),
        ("/c%d", 2),
        ("/e^f", 3),
        ("/g|h", 4),
        (r"/i\j", 5),
        ('/k"l', 6),
        ("/ ", 7),
        ("/m~0n", 8),
    ],
)
def test_the_examples_of_rfc_6901_section_5(pointer: str, value: object) -> None:
    assert look_up(DOCUMENT, pointer) == value


def test_escapes_are_undone_in_the_right_order() -> None:
    assert tokens_of("/~01") == ("~1",)  # RFC 6901, 4: first ~1, then ~0


@pytest.mark.parametrize(
    "pointer", ["/foo/2", "/foo/-", "/foo/01", "/foo/1x", "/foo/0/x", "/nothing", "/a~1b/0", "/foo/" + "9" * 5000]
)
def test_what_leads_nowhere(pointer: str) -> None:
    with pytest.raises(LookupError):
        look_up(DOCUMENT, pointer)


@pytest.mark.parametrize("pointer", ["foo", "foo/0", "/m~n", "/m~2", "/m~"])
def test_what_is_no_pointer(pointer: str) -> None:
    with pytest.raises(ValueError, match=r"pointer=.*RFC 6901, 3"):
        look_up(DOCUMENT, pointer)
