"""How a check of the one list becomes tests: one for each rig that it applies to, in virtual time where that can be."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from typing import Any

import pytest

from tests.conformance.rig import Rig
from tests.conformance.rigs import RIGS
from tests.peers import virtual_time

Check = Callable[[Rig], Coroutine[Any, Any, None]]


def check(body: Check) -> Callable[..., None]:
    """Every rig passes ``body``, but those that say under its name why it cannot apply to them."""
    name = body.__name__
    kinds = [kind for kind in RIGS if name not in kind.left_out]

    @pytest.mark.parametrize("kind", kinds, ids=[kind.name for kind in kinds])
    def test(kind: type[Rig]) -> None:
        rig = kind()
        if kind.in_process:
            virtual_time.run(lambda: body(rig))
        else:
            asyncio.run(body(rig))

    test.__name__ = test.__qualname__ = name
    test.__module__, test.__doc__ = body.__module__, body.__doc__
    return test
