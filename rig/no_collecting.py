"""The garbage collector, kept still while very many values are made that all stay."""

from __future__ import annotations

import gc
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator


@contextmanager
def no_collecting() -> Iterator[None]:
    """While millions of rows are handled: the collector would look through all of them again and again, for nothing."""
    collecting = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if collecting:
            gc.enable()
