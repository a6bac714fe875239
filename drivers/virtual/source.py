"""The virtual CV source: a programmable DC supply that is a little wrong and takes its time."""

from __future__ import annotations

from typing import TYPE_CHECKING

from drivers.virtual.device import Device
from drivers.virtual.parameters import LimitWord, Number, real
from drivers.virtual.randomness import stream
from drivers.virtual.status import Operation

if TYPE_CHECKING:
    from drivers.clock import Clock
    from drivers.virtual.configuration import SourceConfiguration
    from drivers.virtual.wiring import Wiring

IDENTITY = ("Virtual bench", "CV source", "VS-0001", "1.0")
READ_BACK_DIGITS = 6


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
        super().__init__(clock, IDENTITY, latency_s)
        self._wiring = wiring
        self._configuration = configuration
        self._noise = stream(seed, "source", "read back")
        self._programmed_v = 0.0
        self._on = False
        voltage = Number(configuration.low_v, configuration.high_v, 0.0, unit="V")
        level = "[:LEVel][:IMMediate][:AMPLitude]"
        self.add(f"[SOURce[1]]:VOLTage{level}", self._program, voltage)
        self.add(f"[SOURce[1]]:VOLTage{level}?", self._answer_programmed, LimitWord(voltage))
        self.add_boolean("OUTPut[1][:STATe]", self._switch, lambda: self._on)
        self.add("MEASure[:SCALar]:VOLTage[:DC]?", lambda: real(self._read_back_v(), READ_BACK_DIGITS))
        self.add("MEASure[:SCALar]:CURRent[:DC]?", lambda: real(self._current_a(), READ_BACK_DIGITS))

    def reset(self) -> None:
        """0 V, output off."""
        self._programmed_v, self._on = 0.0, False
        self._drive()

    def refresh(self) -> None:
        """Say whether the output still settles."""
        settling = self.clock.now() < self.busy_until_s
        self.status.operation.update(Operation.SETTLING if settling else 0)

    def _program(self, voltage_v: float) -> None:
        resolution_v = self._configuration.resolution_v
        self._programmed_v = round(voltage_v / resolution_v) * resolution_v
        self._drive()

    def _answer_programmed(self, limit_v: float | None) -> str:
        return real(self._programmed_v if limit_v is None else limit_v, READ_BACK_DIGITS)

    def _switch(self, on: bool) -> None:
        self._on = on
        self._drive()

    def _drive(self) -> None:
        target_v = open_circuit_v(self._configuration, self._programmed_v) if self._on else 0.0
        if target_v != self._wiring.driven_v():
            self._wiring.drive(target_v)
            self.busy_until_s = self._wiring.settled_at_s()
        self.refresh()

    def _read_back_v(self) -> float:
        """What the source believes of its own terminals: its own errors are in the measurement as well."""
        terminal_v = self._wiring.jack_v(self.clock.now())
        noise_v = float(self._noise.normal(0.0, 1.0)) * self._configuration.read_back_noise_v
        if not self._on:
            return terminal_v + noise_v
        return (terminal_v - self._configuration.offset_v) / (1.0 + self._configuration.gain_error) + noise_v

    def _current_a(self) -> float:
        return self._wiring.jack_v(self.clock.now()) * self._wiring.jack_conductance_s()
