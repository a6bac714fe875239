"""A file that is there whole or not at all: written beside its place under another name, and moved there at the end."""

from __future__ import annotations

import os
from contextlib import contextmanager
from typing import IO, TYPE_CHECKING
from uuid import uuid4

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@contextmanager
def whole_file(path: Path) -> Iterator[IO[bytes]]:
    """Open a file for writing bytes; it takes its place when the block ends without an error.

    Until then, and after an error, what was there before is there still.

    What is no file (a device, a pipe) is written into, and what a link points to takes the new text: neither is
    ever exchanged for a file.

    :raises OSError: it cannot be written (no room, no rights, no folder); its ``filename`` is the file wanted.
    """
    if path.exists() and not path.is_file() and not path.is_dir():
        with _named(path), path.open("wb") as file:
            yield file
        return
    path = path.resolve() if path.is_symlink() else path
    beside = path.with_name(f".{path.name[:80]}.{uuid4().hex[:8]}.part")
    try:
        with beside.open("xb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        beside.replace(path)
    except OSError as error:
        beside.unlink(missing_ok=True)
        raise type(error)(error.errno, error.strerror or str(error), str(path)) from error
    except BaseException:
        beside.unlink(missing_ok=True)
        raise


@contextmanager
def _named(path: Path) -> Iterator[None]:
    """Errors of writing name the file wanted."""
    try:
        yield
    except OSError as error:
        raise type(error)(error.errno, error.strerror or str(error), str(path)) from error


def write_whole(path: Path, data: bytes) -> None:
    """Write a file in one go, whole or not at all.

    :raises OSError: it cannot be written.
    """
    with whole_file(path) as file:
        file.write(data)
