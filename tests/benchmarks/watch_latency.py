"""Figure: how long after a reading the screen shows it, in a real pseudo-terminal.

Run ``python -m tests.benchmarks.watch_latency [--readings 300] [--busy]``.

A watch with known times runs in a child whose terminal is a pseudo-terminal. The child notes when each reading is
there (the moment at which ``read`` returns), this process when the whole picture of it has come out of the terminal;
both read the same monotonic clock. ``--busy`` keeps every core busy meanwhile.
"""

from __future__ import annotations

import argparse
import contextlib
import fcntl
import json
import multiprocessing
import os
import pty
import random
import select
import struct
import sys
import tempfile
import termios
import time
from pathlib import Path
from typing import TYPE_CHECKING

from rich.console import Console

from rig.operators.console import ConsoleOperator
from rig.operators.port import Seen, Turn, WatchReading

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

LIMIT_S = 0.050
PERIODS_S = (0.04, 0.125)
"""Between readings: from the shortest gate to the slowest that still gives eight updates a second."""
PICTURE_ENDS = b"\x1b[J"
TURN = Turn("scale", "SCALE", "8242.593 Hz (C9 -27.0 cents)", "the CV held at 8.00 V", -2.0, 4.0)


class TimedWatch:
    """Readings at irregular known times."""

    unit = "cents"
    tolerance = 0.5

    def __init__(self, count: int) -> None:
        self.times_s: list[float] = []
        self._count = count
        self._random = random.Random(1)

    def read(self, *, turning: bool = False) -> WatchReading:
        time.sleep(self._random.uniform(*PERIODS_S))
        left = self._count - len(self.times_s)
        distance = -0.37 * left
        reading = WatchReading(f"{8242.593 - distance:.3f} Hz", 8242.593, distance, 0.05, Seen.NEARER, done=left <= 1)
        self.times_s.append(time.monotonic())
        return reading


def shown_by_a_child(count: int, columns: int, rows: int, environment: dict[str, str]) -> tuple[list[float], int]:
    """Latency of each reading, s, and the bytes of an average picture."""
    with tempfile.TemporaryDirectory() as folder:
        notes = Path(folder) / "times.json"
        child, terminal = pty.fork()
        if child == 0:
            os.environ.update(environment)
            fcntl.ioctl(sys.stdout.fileno(), termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))
            watch = TimedWatch(count)
            ConsoleOperator(Console(highlight=False, soft_wrap=True)).turn(TURN, watch)
            notes.write_text(json.dumps(watch.times_s))
            os._exit(0)
        arrived_s, size = pictures(terminal)
        os.waitpid(child, 0)
        os.close(terminal)
        taken_s = json.loads(notes.read_text())
    # What follows the last picture (its wiping) ends in the same way and belongs to no reading.
    if len(arrived_s) < len(taken_s):
        raise SystemExit(f"{len(taken_s)} readings, but only {len(arrived_s)} pictures: every reading should be shown")
    return [seen - taken for taken, seen in zip(taken_s, arrived_s, strict=False)], size // max(len(arrived_s), 1)


def pictures(terminal: int) -> tuple[list[float], int]:
    """When each picture was whole, and the number of bytes of all."""
    arrived_s: list[float] = []
    size, rest = 0, b""
    with contextlib.suppress(OSError):
        while True:
            select.select([terminal], [], [])
            data = os.read(terminal, 1 << 16)
            now_s = time.monotonic()
            size += len(data)
            arrived_s += [now_s] * (rest + data).count(PICTURE_ENDS)
            rest = data[-(len(PICTURE_ENDS) - 1) :]
    return arrived_s, size


@contextlib.contextmanager
def busy_cores(busy: bool) -> Iterator[None]:
    """Every core doing sums."""
    workers = [multiprocessing.Process(target=_sums, daemon=True) for _ in range(os.cpu_count() or 1)] if busy else []
    for worker in workers:
        worker.start()
    yield
    for worker in workers:
        worker.terminate()


def _sums() -> None:
    while True:
        sum(range(100_000))


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the figure; exit code 1 when it is not reached."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--readings", type=int, default=300)
    parser.add_argument("--busy", action="store_true")
    options = parser.parse_args(arguments)
    terminals = (
        ("80 x 24", 80, 24, {"TERM": "xterm-256color"}),
        ("120 x 40", 120, 40, {"TERM": "xterm-256color"}),
        ("40 x 24, no colour", 40, 24, {"TERM": "xterm", "NO_COLOR": "1"}),
    )
    worst_s = 0.0
    with busy_cores(options.busy):
        for name, columns, rows, environment in terminals:
            latencies_s, size = shown_by_a_child(options.readings, columns, rows, environment)
            ordered = sorted(latencies_s)
            worst_s = max(worst_s, ordered[-1])
            middle, high = ordered[len(ordered) // 2], ordered[int(0.99 * (len(ordered) - 1))]
            print(
                f"{name:>18}: {len(ordered)} readings, median {1e3 * middle:.1f} ms, 99 % below {1e3 * high:.1f} ms, "
                f"worst {1e3 * ordered[-1]:.1f} ms, {size} bytes a picture"
            )
    print(f"limit {1e3 * LIMIT_S:.0f} ms: {'reached' if worst_s < LIMIT_S else 'NOT reached'}")
    return 0 if worst_s < LIMIT_S else 1


if __name__ == "__main__":
    sys.exit(main())
