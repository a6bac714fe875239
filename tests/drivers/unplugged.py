"""A link that is taken away while somebody still looks for its instrument."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager

from drivers.virtual.links.serving import Link


@contextmanager
def unplugged(link: Link) -> Iterator[None]:
    """The link is closed while in the block.

    The number of a pseudo-terminal stays taken meanwhile: the system gives a free one to the next terminal that is
    opened, of another test, and whoever looks for the instrument would speak to that.
    """
    path = link.resource.removeprefix("ASRL").removesuffix("::INSTR")
    held = os.open(path, os.O_RDWR | os.O_NOCTTY) if path.startswith("/dev/") else None
    link.close()
    try:
        yield
    finally:
        if held is not None:
            os.close(held)
