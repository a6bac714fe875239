"""A virtual multimeter that also counts, and reads a probe: one function at a time.

Whoever chooses a function with CONFigure or MEASure presets the whole instrument, the settings of its other
functions too (common practice, the harsher of two).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import TYPE_CHECKING

from drivers.virtual.counter import Gate, VirtualCounter
from drivers.virtual.meter import Reading, VirtualMeter
from drivers.virtual.parameters import Number, Quoted, real
from drivers.virtual.personality import METERS
from drivers.virtual.scpi_errors import ScpiError
from drivers.virtual.thermometer import platinum_ohm
from drivers.virtual.triggered import Planned, TriggeredDevice

if TYPE_CHECKING:
    from drivers.clock import Clock
    from drivers.virtual.device import Command

IDENTITY = ("Virtual bench", "multimeter that counts", "VX-0001", "1.0")
DIGITS = 9
OHM_S = 0.1


class Function(StrEnum):
    """What is measured."""

    VOLTS = "VOLT"
    HERTZ = "FREQ"
    OHM = "RES"


@dataclass(frozen=True, slots=True)
class Ohm:
    """A reading of the probe under way."""

    end_s: float


class CountingMeter(TriggeredDevice[Reading | Gate | Ohm]):
    """The multimeter as a SCPI device.

    :param meter, counter: what it does as either; their settings are reached through this instrument.
    """

    def __init__(
        self,
        clock: Clock,
        meter: VirtualMeter,
        counter: VirtualCounter,
        room_c: float,
        *,
        latency_s: float,
        personality: str,
    ) -> None:
        super().__init__(clock, IDENTITY, latency_s, "", METERS[personality])
        self.function = Function.VOLTS
        self.presets = 0
        self._meter, self._counter = meter, counter
        self._room_c = room_c
        expected = Number(-1e9, 1e9, 0.0, optional=True)
        headers = {
            Function.VOLTS: "VOLTage[:DC]",
            Function.HERTZ: "FREQuency",
            Function.OHM: "RESistance",
        }
        for function, header in headers.items():
            self._add_function(function, f"CONFigure[:SCALar]:{header}", f"MEASure[:SCALar]:{header}?", expected)
        names = {"VOLT": "VOLT", "VOLT:DC": "VOLT", "FREQ": "FREQ", "FREQUENCY": "FREQ", "RES": "RES"}
        self.add("[SENSe[1]]:FUNCtion[:ON]", lambda name: self._choose(Function(name)), Quoted(names))
        self.add("[SENSe[1]]:FUNCtion[:ON]?", lambda: f'"{self.function.value}"')
        self.add("CONFigure?", lambda: f'"{self.function.value}"')

    def find(self, words: tuple[str, ...], *, query: bool) -> Command:
        """Its own commands, else those of its functions; a setting ends what was read before."""
        try:
            return super().find(words, query=query)
        except ScpiError as own:
            for part in (self._meter, self._counter):
                try:
                    command = part.find(words, query=query)
                except ScpiError:
                    continue
                return command if query else self._forgetting(command)
            raise own from None

    def reset(self) -> None:
        """DC volts, everything preset."""
        self._choose_anew(Function.VOLTS, None)

    def plan(self, start_s: float) -> Planned[Reading | Gate | Ohm]:
        """Start one reading of the present function."""
        match self.function:
            case Function.VOLTS:
                volts = self._meter.plan(start_s)
                return Planned(volts.plan, volts.ends_s)
            case Function.HERTZ:
                hertz = self._counter.plan(start_s)
                return Planned(hertz.plan, hertz.ends_s)
            case Function.OHM:
                return Planned(Ohm(start_s + OHM_S), start_s + OHM_S)

    def result(self, plan: Reading | Gate | Ohm) -> str:
        """The answer for a reading that is over."""
        match plan:
            case Reading():
                return self._meter.result(plan)
            case Gate():
                return self._counter.result(plan)
            case Ohm():
                return real(platinum_ohm(self._room_c), DIGITS)

    def _add_function(self, function: Function, configure: str, measure: str, expected: Number) -> None:
        resolution = Number(0.0, 1e9, 0.0, optional=True)

        def preset(value: float | None, _resolution: float | None) -> None:
            self._choose_anew(function, value)

        def measured(value: float | None, resolution: float | None) -> str:
            preset(value, resolution)
            return self._initiate_and_fetch()

        self.add(configure, preset, expected, resolution)
        self.add(measure, measured, expected, resolution)

    def _choose(self, function: Function) -> None:
        self.function = function
        self.forget()

    def _choose_anew(self, function: Function, expected: float | None) -> None:
        self.presets += 1
        self._meter.configure(expected if function is Function.VOLTS else None, None)
        self._counter.configure(None, None)
        self._choose(function)
        self.configured()

    def _forgetting(self, command: Command) -> Command:
        def obey(*values: object) -> str | None:
            self.forget()
            return command.obey(*values)

        return replace(command, obey=obey)
