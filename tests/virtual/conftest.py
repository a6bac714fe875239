from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

import fixtures
from drivers.virtual.bench import VirtualBench, parse, start
from drivers.virtual.clock import InstantClock
from drivers.virtual.configuration import CounterConfiguration, MeterConfiguration, SourceConfiguration
from drivers.virtual.counter import VirtualCounter
from drivers.virtual.device import Device
from drivers.virtual.live_unit import LiveUnit
from drivers.virtual.meter import VirtualMeter
from drivers.virtual.randomness import stream
from drivers.virtual.source import VirtualSource
from drivers.virtual.truth import Truth
from drivers.virtual.unit import UnitDescription
from drivers.virtual.wiring import SourceTerminals, Wiring

FIXTURES = Path(fixtures.__file__).parent
POPULATION = FIXTURES / "populations" / "demo.toml"
UNITS = FIXTURES / "units"


class Rack:
    """The three instruments on one set of wires, without links."""

    def __init__(
        self,
        *,
        seed: int = 1,
        source: SourceConfiguration | None = None,
        meter: MeterConfiguration | None = None,
        counter: CounterConfiguration | None = None,
        latency_s: float = 0.0,
    ) -> None:
        source = source or SourceConfiguration()
        self.clock = InstantClock()
        terminals = SourceTerminals(source.output_resistance_ohm, source.settling_time_constant_s)
        self.wiring = Wiring(self.clock, terminals)
        kept = {"latency_s": latency_s, "seed": seed}
        self.source = VirtualSource(self.clock, self.wiring, source, **kept)
        self.meter = VirtualMeter(self.clock, self.wiring, meter or MeterConfiguration(), **kept)
        self.counter = VirtualCounter(self.clock, self.wiring, counter or CounterConfiguration(), **kept)

    def insert(self, description: UnitDescription) -> LiveUnit:
        """A unit with power, warm."""
        unit = LiveUnit(description, self.clock, stream(1, "wander"))
        self.wiring.insert(unit)
        unit.power(on=True)
        self.clock.sleep(36_000.0)
        return unit


def errors_of(device: Device) -> list[int]:
    """Numbers in the error queue, which is then empty."""
    answer = device.execute("SYST:ERR:CODE:ALL?")
    assert answer is not None
    return [code for code in map(int, answer.split(",")) if code]


def asked(device: Device, query: str) -> str:
    answer = device.execute(query)
    assert answer is not None, errors_of(device)
    return answer


def number(device: Device, query: str) -> float:
    return float(asked(device, query))


def warm_truth(description: UnitDescription) -> Truth:
    """The truth about a warm unit in a steady room, before any move."""
    unit = LiveUnit(description, InstantClock(), stream(1, "wander"))
    unit.power(on=True)
    return Truth(unit.state, 0.0, SourceConfiguration(), 1.0).warm()


def with_trims(truth: Truth, **positions_turns: float) -> Truth:
    """The same unit with wipers elsewhere."""
    trimmers = dict(truth.state.trimmers)
    for name, position_turns in positions_turns.items():
        trimmers[name] = replace(trimmers[name], wiper_turns=position_turns)
    return replace(truth, state=replace(truth.state, trimmers=trimmers))


@pytest.fixture
def rack() -> Rack:
    return Rack()


@pytest.fixture
def source(rack: Rack) -> VirtualSource:
    return rack.source


@pytest.fixture
def demo_bench() -> Iterator[VirtualBench]:
    with start(parse({"seed": 7, "population": "populations/demo.toml"}, FIXTURES)) as bench:
        yield bench
