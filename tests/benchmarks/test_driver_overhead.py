"""What a reading costs through the drivers, against the same messages through bare pyvisa.

Both sides talk to the same virtual instruments in the same run: set a voltage, read it back, open the
counter's gate and fetch its result, each as one message with the same bytes. Run as a program it prints both
times and their ratio::

    python -m tests.benchmarks.test_driver_overhead

The figure to keep is a ratio of at most 1.3.
"""

from __future__ import annotations

import socket
import statistics
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from itertools import cycle
from pathlib import Path
from typing import Any, cast

import pytest
import pyvisa
from pyvisa.resources import MessageBasedResource

from drivers.counter import Counter
from drivers.exchange import Exchange
from drivers.scpi import parse_error_entry, parse_number
from drivers.session import Session
from drivers.source import Source, VoltageLimits
from drivers.virtual.bench import parse, start

FIXTURES = Path(__file__).parents[2] / "fixtures"
TABLE = {"clock": "instant", "seed": 1, "unit": str(FIXTURES / "units" / "healthy.toml")}
MESSAGES_A_POINT = 4
TARGET = 1.3


@dataclass(frozen=True, slots=True)
class BothWays:
    """A point through the drivers, the same point through bare pyvisa, and what the drivers said."""

    drivers: Callable[[], float]
    bare: Callable[[], float]
    exchanges: list[Exchange]


@contextmanager
def both_ways() -> Iterator[BothWays]:
    exchanges: list[Exchange] = []
    with ExitStack() as stack:
        bench = stack.enter_context(start(parse(TABLE, FIXTURES)))
        bench.hands.insert("0001")
        bench.hands.power(True)
        source_link, counter_link = (
            Session.open(bench.resources[role], role=role, observer=exchanges.append) for role in ("source", "counter")
        )
        source = stack.enter_context(Source(source_link, VoltageLimits(-1.0, 8.5)))
        counter = stack.enter_context(Counter(counter_link))
        counter.configure(coupling="DC", level_v=0.0)
        counter.set_gate(0.01)
        source.output_on()
        bare_source, bare_counter = (
            stack.enter_context(_bare(bench.resources[role])) for role in ("source", "counter")
        )
        voltages_v = cycle([1.0, 2.0, 3.0])
        tokens = cycle(range(1, 256))

        def through_drivers() -> float:
            source.set_voltage(next(voltages_v))
            source.read_back()
            counter.start()
            return counter.fetch()

        def through_pyvisa() -> float:
            answers = (
                _asked(bare_source, f"SOUR:VOLT {next(voltages_v)};:SYST:ERR?;*ESE {next(tokens)};*ESE?"),
                _asked(bare_source, f"*ESE {next(tokens)};:MEAS:VOLT?;*ESE?"),
                _asked(bare_counter, f"INIT;:SYST:ERR?;*ESE {next(tokens)};*ESE?"),
                _asked(bare_counter, f"*ESE {next(tokens)};:FETC?;*ESE?"),
            )
            parse_error_entry(answers[0])
            parse_number(answers[1])
            parse_error_entry(answers[2])
            return parse_number(answers[3])

        yield BothWays(through_drivers, through_pyvisa, exchanges)


@contextmanager
def _bare(resource: str) -> Iterator[MessageBasedResource]:
    opened = pyvisa.ResourceManager("@py").open_resource(
        resource, read_termination="\n", write_termination="\n", timeout=3000
    )
    assert isinstance(opened, MessageBasedResource)
    # pyvisa-py offers no way to set no-delay; without it each message would cost 44 ms on some systems
    session = cast(Any, opened.visalib).sessions[opened.session]
    session.interface.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    yield opened
    opened.close()


def _asked(link: MessageBasedResource, message: str) -> str:
    return link.query(message).rpartition(";")[0]


def measured_ratio(rounds: int, points: int) -> tuple[float, float, float]:
    """Median time of a point, s, through the drivers and through bare pyvisa, and the median ratio."""
    with both_ways() as way:
        drivers_s, bare_s = [], []
        for _ in range(rounds):
            drivers_s.append(_time_of(way.drivers, points))
            bare_s.append(_time_of(way.bare, points))
    ratios = [ours_s / theirs_s for ours_s, theirs_s in zip(drivers_s, bare_s, strict=True)]
    return statistics.median(drivers_s), statistics.median(bare_s), statistics.median(ratios)


def _time_of(point: Callable[[], float], points: int) -> float:
    begun_s = time.perf_counter()
    for _ in range(points):
        point()
    return (time.perf_counter() - begun_s) / points


def test_a_point_through_the_drivers_is_four_messages_and_a_frequency():
    with both_ways() as way:
        way.exchanges.clear()
        frequency_hz = way.drivers()
        point = [exchange.role for exchange in way.exchanges]
        bare_hz = way.bare()
    assert point == ["source", "source", "counter", "counter"]
    assert len(point) == MESSAGES_A_POINT
    # the bare side sets the next voltage of the round, an octave higher
    assert bare_hz / frequency_hz == pytest.approx(2.0, rel=0.2)


def test_driver_point(benchmark: Any):
    benchmark.group = "point"
    with both_ways() as way:
        assert benchmark(way.drivers) > 0


def test_bare_pyvisa_point(benchmark: Any):
    benchmark.group = "point"
    with both_ways() as way:
        assert benchmark(way.bare) > 0


if __name__ == "__main__":
    ours_s, theirs_s, ratio = measured_ratio(rounds=15, points=200)
    sys.stdout.write(
        f"a point of {MESSAGES_A_POINT} messages: drivers {1e6 * ours_s:.0f} us, "
        f"bare pyvisa {1e6 * theirs_s:.0f} us, ratio {ratio:.2f} (at most {TARGET})\n"
    )
    sys.exit(ratio > TARGET)
