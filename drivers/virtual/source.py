"""The virtual CV source: a programmable DC supply that is a little wrong and takes its time."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import Enum, auto
from typing import TYPE_CHECKING

from drivers.virtual.channels import CHANNELS
from drivers.virtual.device import Device
from drivers.virtual.parameters import Boolean, LimitWord, Number, NumericBoolean, integer, real
from drivers.virtual.personality import SOURCES, Channels
from drivers.virtual.randomness import stream
from drivers.virtual.scpi_errors import ScpiError
from drivers.virtual.status import Operation
from drivers.virtual.trouble import Kind

if TYPE_CHECKING:
    from collections.abc import Mapping

    from drivers.clock import Clock
    from drivers.virtual.configuration import SourceConfiguration
    from drivers.virtual.wiring import Wiring

IDENTITY = ("Virtual bench", "CV source", "VS-0001", "1.0")
READ_BACK_DIGITS = 6
MOST_V = 60.0
MOST_A = 1.0


class Limit(Enum):
    """What bounds an output."""

    RANGE = auto()
    PROTECTION = auto()
    CURRENT = auto()


@dataclass(frozen=True, slots=True)
class Output:
    """One output as it is set; a limit that was never set is as wide as it goes."""

    programmed_v: float = 0.0
    on: bool = False
    limits: Mapping[Limit, float] = field(default_factory=dict)
    tripped: bool = False
    """Whether its voltage protection switched it off; it stays off until that is let go."""


def open_circuit_v(configuration: SourceConfiguration, programmed_v: float) -> float:
    """What a programmed voltage really is at the open terminals, settled, V.

    The set-point is rounded to the resolution; gain error, offset and a parabolic bow act on what is left.
    """
    resolution_v = configuration.resolution_v
    set_v = round(programmed_v / resolution_v) * resolution_v
    place = (set_v - configuration.low_v) / (configuration.high_v - configuration.low_v)
    return (
        set_v * (1.0 + configuration.gain_error)
        + configuration.offset_v
        + configuration.bow_v * 4.0 * place * (1.0 - place)
    )


class VirtualSource(Device):
    """The source as a SCPI device. Off means 0 V behind its output resistance."""

    def __init__(
        self, clock: Clock, wiring: Wiring, configuration: SourceConfiguration, *, latency_s: float, seed: int
    ) -> None:
        super().__init__(clock, IDENTITY, latency_s, SOURCES[configuration.personality])
        self.wired = 1 if self.personality.channels is Channels.NONE else 2
        self._wiring = wiring
        self._configuration = configuration
        self._noise = stream(seed, "source", "read back")
        self._outputs = {channel: Output() for channel in CHANNELS}
        self._pretends = False
        """Whether it reads back what it was told, which is not what it puts out."""
        voltage = Number(configuration.low_v, configuration.high_v, 0.0, unit="V")
        amplitude = "[:LEVel][:IMMediate][:AMPLitude]"
        level = f"[SOURce{{n}}]:VOLTage{amplitude}"
        self.add_by_channel(level, self._program, voltage)
        self.add_by_channel(f"{level}?", self._answer_programmed, LimitWord(voltage), unit="V")
        self._add_limit(
            "[SOURce{n}]:VOLTage:RANGe", Limit.RANGE, Number(0.0, configuration.high_v, configuration.high_v)
        )
        self._add_limit("[SOURce{n}]:VOLTage:PROTection[:LEVel]", Limit.PROTECTION, Number(0.0, MOST_V, MOST_V))
        protection = "[SOURce{n}]:VOLTage:PROTection"
        self.add_by_channel(f"{protection}:TRIPped?", lambda channel: integer(self._outputs[channel].tripped))
        self.add_by_channel(f"{protection}:CLEar", self._let_go)
        self._add_limit(f"[SOURce{{n}}]:CURRent{amplitude}", Limit.CURRENT, Number(0.0, MOST_A, MOST_A))
        switch = NumericBoolean() if not self.personality.words else Boolean()
        self.add_by_channel("OUTPut{n}[:STATe]", self._switch, switch)
        self.add_by_channel("OUTPut{n}[:STATe]?", lambda channel: integer(self._outputs[channel].on))
        self.add_by_channel("MEASure{n}[:SCALar]:VOLTage[:DC]?", self._answer_read_back, unit="V")
        self.add_by_channel("MEASure{n}[:SCALar]:CURRent[:DC]?", self._answer_current, unit="A")
        if self.personality.channels is Channels.SELECT:
            self.add_number("INSTrument:NSELect", Number(1, 2, 1, whole=True), self._select, lambda: self.selected)
            names = {f"CH{channel}": f"CH{channel}" for channel in CHANNELS}
            self.add_word("INSTrument[:SELect]", names, self._select_name, lambda: f"CH{self.selected}")

    @property
    def on(self) -> bool:
        """Whether the wired output is connected."""
        return self._outputs[self.wired].on

    @property
    def programmed_v(self) -> float:
        """What the wired output is told to put out."""
        return self._outputs[self.wired].programmed_v

    def trip(self) -> None:
        """Let the voltage protection of the wired output trip, as something that feeds back into it would."""
        self._outputs[self.wired] = replace(self._outputs[self.wired], on=False, tripped=True)
        self._drive()

    def befall(self, kind: Kind, much: float) -> None:
        """Something happens to it: its protection trips, beside what can happen to any instrument."""
        super().befall(kind, much)
        if kind is Kind.TRIPPED:
            self.trip()

    def reset(self) -> None:
        """0 V, output off, limits as wide as they go; the first channel selected."""
        self._outputs = {channel: Output() for channel in CHANNELS}
        self.selected = 1
        self._drive()

    def refresh(self) -> None:
        """Say whether the output still settles."""
        settling = self.clock.now() < self.busy_until_s
        self.status.operation.update(Operation.SETTLING if settling else 0)

    def _add_limit(self, header: str, limit: Limit, number: Number) -> None:
        def take(channel: int, value: float) -> None:
            output = self._outputs[channel]
            self._outputs[channel] = replace(output, limits={**output.limits, limit: value})

        def answer(channel: int, word: float | None) -> str:
            standing = self._outputs[channel].limits.get(limit, number.high)
            return real(standing if word is None else word, READ_BACK_DIGITS)

        self.add_by_channel(header, take, number)
        self.add_by_channel(f"{header}?", answer, LimitWord(number))

    def _select(self, channel: float) -> None:
        self.selected = int(channel)

    def _select_name(self, name: str) -> None:
        self.selected = int(name.removeprefix("CH"))

    def _program(self, channel: int, voltage_v: float) -> None:
        output, resolution_v = self._outputs[channel], self._configuration.resolution_v
        widest_v = min(output.limits.get(Limit.RANGE, MOST_V), output.limits.get(Limit.PROTECTION, MOST_V))
        if abs(voltage_v) > widest_v:
            raise ScpiError(-221, f"beyond {widest_v:g} V")
        self._outputs[channel] = replace(output, programmed_v=round(voltage_v / resolution_v) * resolution_v)
        if not self.ails or not self.ails.keys() & {Kind.STUCK, Kind.STUCK_UNSEEN}:
            self._drive()
        elif Kind.STUCK_UNSEEN in self.ails:
            self._pretends = True

    def _answer_programmed(self, channel: int, limit_v: float | None) -> str:
        return real(self._outputs[channel].programmed_v if limit_v is None else limit_v, READ_BACK_DIGITS)

    def _let_go(self, channel: int) -> None:
        self._outputs[channel] = replace(self._outputs[channel], tripped=False)

    def _switch(self, channel: int, on: bool) -> None:
        if on and self._outputs[channel].tripped:
            raise ScpiError(-221, "protection has tripped")
        self._outputs[channel] = replace(self._outputs[channel], on=on)
        self._drive()

    def _drive(self) -> None:
        self._pretends = False
        target_v = open_circuit_v(self._configuration, self.programmed_v) if self._connected() else 0.0
        if target_v != self._wiring.driven_v():
            self._wiring.drive(target_v)
            self.busy_until_s = self._wiring.settled_at_s()
        self.refresh()

    def _connected(self) -> bool:
        """Whether the wired output reaches the bench; one without a switch always does."""
        return self.on or not self.personality.spellings("OUTPut{n}[:STATe]")

    def _answer_read_back(self, channel: int) -> str:
        output = self._outputs[channel]
        unwired_v = output.programmed_v if output.on else 0.0
        return real(self._read_back_v() if channel == self.wired else unwired_v, READ_BACK_DIGITS)

    def _answer_current(self, channel: int) -> str:
        current_a = self._wiring.jack_v(self.clock.now()) * self._wiring.jack_conductance_s()
        return real(current_a if channel == self.wired else 0.0, READ_BACK_DIGITS)

    def _read_back_v(self) -> float:
        """What the source believes of its own terminals: its own errors are in the measurement as well."""
        terminal_v = self._wiring.jack_v(self.clock.now())
        noise_v = self._noise.standard_normal() * self._configuration.read_back_noise_v
        if self._pretends:
            return self.programmed_v + noise_v
        if not self._connected():
            return terminal_v + noise_v
        return (terminal_v - self._configuration.offset_v) / (1.0 + self._configuration.gain_error) + noise_v
