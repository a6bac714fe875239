"""What the messages of a sweep cost, with instruments that take 20 ms for each, over real sockets in real time.

Sweeps of a warm virtual unit, as a visit takes them::

    python -m tests.benchmarks.message_cost

The floor is the time that the instruments themselves need: 20 ms a message, and the gate or the integration of what is
measured. What is on top of that and of the settling that is waited for (drivers, links, threads, the operating
system, the rig's own computing) is the cost; the figure to keep is a cost of less than 10 % of 20 ms a message.
"""

from __future__ import annotations

import sys
import time
from contextlib import ExitStack, contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

import numpy as np

from drivers.source import VoltageLimits
from drivers.virtual.bench import parse, start
from drivers.virtual.links.sockets import SocketLink
from fixtures import FOLDER, demonstration_bench, demonstration_product
from rig.acquire import Acquisition, sweep
from rig.bench import load_bench, open_bench
from rig.product import load_product
from rig.stages.survey import evenly_spread
from rig.stages.warm_up import expected_frequency_hz
from tests.straight import straight_curve

if TYPE_CHECKING:
    from collections.abc import Iterator

    from drivers.virtual.links.serving import Executes

ANSWER_S = 0.020
TARGET = 0.10
SWEEPS = 2
ROLES = ("source", "meter", "counter")


class Stopwatch:
    """An instrument, and how long it took for each message by itself."""

    def __init__(self, device: Executes) -> None:
        self.taken_s: list[float] = []
        self._device = device

    def execute(self, message: str) -> str | None:
        """Execute, and note the time."""
        begun_s = time.perf_counter()
        try:
            return self._device.execute(message)
        finally:
            self.taken_s.append(time.perf_counter() - begun_s)


@contextmanager
def measuring(folder: Path) -> Iterator[tuple[Acquisition, list[Stopwatch]]]:
    """A warm unit on a bench whose instruments take 20 ms a message and stand behind sockets."""
    table = {"clock": "real", "link": "direct", "latency_s": ANSWER_S, "unit": str(FOLDER / "units" / "healthy.toml")}
    text = demonstration_bench().read_text(encoding="utf-8")
    text = text[: text.index("[virtual]")]
    product = load_product(demonstration_product()).contents
    with ExitStack() as stack:
        instruments = stack.enter_context(start(parse(table, FOLDER)))
        watches = [Stopwatch(each) for each in (instruments.source, instruments.meter, instruments.counter)]
        for role, watch in zip(ROLES, watches, strict=True):
            link = SocketLink(watch)
            stack.callback(link.close)
            text = text.replace(f"{{{role}}}", link.resource)
        path = folder / "bench.toml"
        path.write_text(text, encoding="utf-8")
        absolute = product.range.absolute
        bench = stack.enter_context(open_bench(load_bench(path), VoltageLimits(absolute.low_v, absolute.high_v)))
        instruments.hands.insert("0001")
        instruments.hands.power(True)
        bench.source.output_on()
        yield Acquisition(bench, product, straight_curve(0.005, 1.0005, np.zeros((2, 2)))), watches


def measured() -> str:
    """The figures of some sweeps, as lines; the last says whether the figure holds."""
    lines = []
    with TemporaryDirectory() as folder, measuring(Path(folder)) as (acquisition, watches):
        worst = 0.0
        for number in range(SWEEPS):
            before = [len(watch.taken_s) for watch in watches]
            settled_s, begun_s = acquisition.spent.settling_s, time.perf_counter()
            points = list(
                sweep(
                    acquisition,
                    evenly_spread(acquisition, acquisition.product.range.points),
                    lambda cv_v: expected_frequency_hz(acquisition, cv_v),
                    uncertainty_cents=acquisition.measuring.uncertainty_cents,
                )
            )
            took_s, settled_s = time.perf_counter() - begun_s, acquisition.spent.settling_s - settled_s
            own = [each for watch, first in zip(watches, before, strict=True) for each in watch.taken_s[first:]]
            cost_s = (took_s - settled_s - sum(own)) / len(own)
            worst = max(worst, cost_s / ANSWER_S)
            lines.append(
                f"sweep {number + 1}: {len(points)} readings in {took_s:.2f} s, of which {settled_s:.2f} s settling; "
                f"{len(own)} messages ({len(own) / len(points):.1f} a point), {sum(own):.2f} s of their own; "
                f"on top {1e3 * cost_s:.2f} ms a message, {100 * cost_s / ANSWER_S:.1f} % of {1e3 * ANSWER_S:.0f} ms"
            )
    lines.append(f"worst {100 * worst:.1f} % (to keep: less than {100 * TARGET:.0f} %)")
    return "\n".join(lines)


if __name__ == "__main__":
    found = measured()
    sys.stdout.write(found + "\n")
    sys.exit(float(found.splitlines()[-1].split()[1]) >= 100 * TARGET)
