"""The virtual bench: SCPI devices, on loopback sockets or in this process, wired to a virtual unit.

``start(parse(table, base))`` gives a bench with resources to open, a clock to live by, hands, and the truth; or the
near end of one that is a process of its own.
"""

from __future__ import annotations

from contextlib import ExitStack
from typing import TYPE_CHECKING, Self

from drivers.clock import RealClock
from drivers.virtual.clock import InstantClock
from drivers.virtual.configuration import VirtualBenchConfiguration, parse
from drivers.virtual.counter import VirtualCounter
from drivers.virtual.counting_meter import CountingMeter
from drivers.virtual.distant import DistantBench
from drivers.virtual.errors import HandsRefused
from drivers.virtual.hands import VirtualHands
from drivers.virtual.links.direct import DirectLink
from drivers.virtual.links.sockets import SocketLink
from drivers.virtual.links.terminals import TerminalLink
from drivers.virtual.live_unit import REFERENCE_ROOM_C
from drivers.virtual.mainframe import Mainframe
from drivers.virtual.meter import VirtualMeter
from drivers.virtual.population import draw, load_population
from drivers.virtual.source import VirtualSource
from drivers.virtual.thermometer import VirtualThermometer
from drivers.virtual.trouble import Troubles
from drivers.virtual.truth import Truth
from drivers.virtual.unit import load_unit
from drivers.virtual.wiring import SourceTerminals, Wiring

if TYPE_CHECKING:
    from collections.abc import Callable

    from drivers.clock import Clock
    from drivers.virtual.device import Device
    from drivers.virtual.links.serving import Link, Spoiler
    from drivers.virtual.unit import UnitDescription

_SERVED: dict[str, type[SocketLink | TerminalLink]] = {"socket": SocketLink, "serial": TerminalLink}

__all__ = ["VirtualBench", "VirtualBenchConfiguration", "parse", "start"]


class VirtualBench:
    """A running virtual bench. Make one with :func:`start`; close it, or use ``with``."""

    outlives_program = False
    names_differ = False

    def __init__(self, configuration: VirtualBenchConfiguration) -> None:
        find = _finder(configuration)
        self._configuration = configuration
        self.clock: Clock = InstantClock(configuration.started) if configuration.clock == "instant" else RealClock()
        self.wiring = Wiring(
            self.clock,
            SourceTerminals(configuration.source.output_resistance_ohm, configuration.source.settling_time_constant_s),
        )
        room_k = configuration.room_c - REFERENCE_ROOM_C
        self.hands = VirtualHands(self.clock, self.wiring, configuration.seed, find, room_k)
        latency_s, seed = configuration.latency_s, configuration.seed
        self.source = VirtualSource(self.clock, self.wiring, configuration.source, latency_s=latency_s, seed=seed)
        self.meter = VirtualMeter(self.clock, self.wiring, configuration.meter, latency_s=latency_s, seed=seed)
        self.counter = VirtualCounter(self.clock, self.wiring, configuration.counter, latency_s=latency_s, seed=seed)
        self.troubles = Troubles(
            {"source": self.source, "meter": self.meter, "counter": self.counter},
            self.clock,
            seed,
            configuration.trouble,
        )
        self._links = ExitStack()
        self.resources = {
            "source": self._serve(self.source, self.troubles.of["source"]),
            "meter": self._serve(
                self._multimeter() if self.meter.personality.counts else self.meter, self.troubles.of["meter"]
            ),
            "counter": self._serve(self.counter, self.troubles.of["counter"]),
        }
        self.devices = self._more()
        self.resources.update({name: self._serve(device) for name, device in self.devices.items()})

    def _multimeter(self) -> CountingMeter:
        """One instrument that is meter, counter, and reader of a probe."""
        configuration = self._configuration
        return CountingMeter(
            self.clock,
            self.meter,
            VirtualCounter(self.clock, self.wiring, configuration.counter, latency_s=0.0, seed=configuration.seed),
            configuration.room_c,
            latency_s=configuration.latency_s,
            personality=configuration.meter.personality,
        )

    def _more(self) -> dict[str, Device]:
        """Instruments that not every bench has."""
        configuration, clock, latency_s = self._configuration, self.clock, self._configuration.latency_s
        more: dict[str, Device] = {}
        if configuration.cv_meter is not None:
            self.wiring.connect_meter("rail")
            more["cv_meter"] = VirtualMeter(
                clock,
                self.wiring,
                configuration.cv_meter,
                latency_s=latency_s,
                seed=configuration.seed,
                name="cv meter",
            )
        if configuration.thermometer is not None:
            room_c, about = configuration.room_c, configuration.thermometer
            more["thermometer"] = VirtualThermometer(clock, room_c, about, latency_s=latency_s, seed=configuration.seed)
        if configuration.mainframe:
            more["mainframe"] = Mainframe(clock, (self.source, self.meter, self.counter), latency_s=latency_s)
        return more

    def truth(self) -> Truth:
        """What only the oscillator knows, at this moment.

        :raises HandsRefused: no unit is on the bench.
        """
        if self.wiring.unit is None:
            raise HandsRefused("No unit is on the virtual bench, so there is no truth about it: insert one first.")
        return Truth(
            state=self.wiring.unit.state,
            time_s=self.clock.now(),
            source=self._configuration.source,
            jack_share=self.wiring.jack_share(),
        )

    def truth_frequency_hz(self, cv_v: float, octave: str = "0", knob: str = "low") -> float:
        """Pitch at this moment without noise, with a voltage at the CV jack, Hz; see :class:`Truth`."""
        return self.truth().frequency_hz(cv_v, octave, knob)

    def truth_rail_v(self) -> float:
        """The reference rail at this moment, V."""
        return self.truth().rail_v()

    def truth_drift_cents_per_minute(self, cv_v: float) -> float:
        """Rate at which the pitch moves at this moment, cents/minute."""
        return self.truth().drift_cents_per_minute(cv_v)

    def close(self) -> None:
        """Stop serving; a second time does nothing."""
        self._links.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_exception: object) -> None:
        self.close()

    def _serve(self, device: Device, spoiler: Spoiler | None = None) -> str:
        termination, kind = device.personality.termination, self._configuration.link
        link: Link
        if kind == "direct":
            link = DirectLink(device, termination=termination, spoiler=spoiler, clock=self.clock)
        else:
            link = _SERVED[kind](device, termination=termination, spoiler=spoiler)
        self._links.callback(link.close)
        return link.resource


def start(configuration: VirtualBenchConfiguration) -> VirtualBench | DistantBench:
    """Start a virtual bench; where it is a process of its own, go to it.

    :raises WrongDescription: its unit or population file cannot be read or has a wrong field.
    :raises BenchAway: that process does not run.
    """
    if configuration.process is not None:
        return DistantBench(configuration.process)
    return VirtualBench(configuration)


def _finder(configuration: VirtualBenchConfiguration) -> Callable[[str], UnitDescription]:
    if configuration.unit is not None:
        described = load_unit(configuration.unit)
        return lambda _serial: described
    if configuration.population is None:
        raise ValueError("a configuration has a unit or a population")
    population, seed, fault = (
        load_population(configuration.population),
        configuration.seed,
        configuration.fault,
    )
    return lambda serial: draw(population, seed, serial, fault)
