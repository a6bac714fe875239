"""``python -m drivers.virtual BENCHFILE``: serve the virtual bench of a bench file until the process is ended."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

from drivers.virtual.errors import VirtualBenchError
from drivers.virtual.served import description_of, serve_until_ended

if TYPE_CHECKING:
    from collections.abc import Sequence

WRONG_INPUT = 2


def main(arguments: Sequence[str]) -> int:
    """Serve until SIGTERM or Ctrl-C; exit code 2 for a bench that cannot be served."""
    if len(arguments) != 1:
        print("Name one bench file: python -m drivers.virtual BENCHFILE", file=sys.stderr)  # noqa: T201
        return WRONG_INPUT
    try:
        serve_until_ended(description_of(Path(arguments[0])), print)
    except VirtualBenchError as error:
        print(error, file=sys.stderr)  # noqa: T201
        return WRONG_INPUT
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
