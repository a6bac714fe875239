"""The virtual counter: reciprocal, its gate a whole number of periods, its time base a little wrong."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from drivers.virtual.parameters import NOT_A_NUMBER, Number, Quoted, real, words
from drivers.virtual.personality import COUNTERS
from drivers.virtual.randomness import stream
from drivers.virtual.status import Questionable
from drivers.virtual.triggered import Planned, TriggeredDevice
from drivers.virtual.trouble import Kind

if TYPE_CHECKING:
    from drivers.clock import Clock
    from drivers.virtual.configuration import CounterConfiguration
    from drivers.virtual.wiring import Wiring

IDENTITY = ("Virtual bench", "reciprocal counter", "VC-0001", "1.0")
DIGITS = 12
DEFAULT_GATE_S = 0.1
SHORTEST_GATE_S = 1e-4
LONGEST_GATE_S = 1000.0
HIGH_IMPEDANCE_OHM = 1e6
LOW_IMPEDANCE_OHM = 50.0
CENTS = 1200.0
PPM = 1e-6
HUM_UNSTEADY_PER_S = 200.0
"""Relative scatter of hum per second of trigger jitter: a slow sine is triggered on with many times the jitter."""
NEARLY_WHOLE = 1e-7
"""So close to a whole number of cycles, the last of them is already in the gate."""


@dataclass(frozen=True, slots=True)
class Gate:
    """A gate under way: a whole number of periods from trigger to trigger, and what chance adds.

    :param periods: 0 when there was nothing to count.
    :param jitter_s: error of the timed interval from both triggers and the resolution.
    :param noise: relative error from the unit's own noise.
    """

    start_s: float
    end_s: float
    periods: int
    jitter_s: float
    noise: float


class VirtualCounter(TriggeredDevice[Gate]):
    """The counter as a SCPI device."""

    def __init__(
        self,
        clock: Clock,
        wiring: Wiring,
        configuration: CounterConfiguration,
        *,
        latency_s: float,
        seed: int,
    ) -> None:
        super().__init__(clock, IDENTITY, latency_s, "HZ", COUNTERS[configuration.personality])
        self._wiring = wiring
        self._configuration = configuration
        self._chance = stream(seed, "counter", "gates")
        limits = configuration.time_base_ppm * 1e-6
        self.time_base_error = float(stream(seed, "counter", "time base").uniform(-limits, limits))
        self._gate_s = DEFAULT_GATE_S
        self._coupling = "AC"
        self._impedance_ohm = HIGH_IMPEDANCE_OHM
        self._level_v = 0.0
        gate = Number(SHORTEST_GATE_S, LONGEST_GATE_S, DEFAULT_GATE_S, unit="S")
        expected = Number(0.0, 1e9, 1e3, unit="HZ", optional=True)
        resolution = Number(0.0, 1e9, 0.0, unit="HZ", optional=True)
        level = Number(-10.0, 10.0, 0.0, unit="V")
        impedance = Number(LOW_IMPEDANCE_OHM, HIGH_IMPEDANCE_OHM, HIGH_IMPEDANCE_OHM, unit="OHM")
        self.add("CONFigure[:SCALar][:VOLTage]:FREQuency", self.configure, expected, resolution)
        self.add("MEASure[:SCALar][:VOLTage]:FREQuency?", self._measure, expected, resolution, unit="HZ")
        self.add("[SENSe[1]]:FUNCtion[:ON]", self._take_function, Quoted({"FREQ": "FREQ", "FREQUENCY": "FREQ"}))
        self.add("[SENSe[1]]:FUNCtion[:ON]?", lambda: '"FREQ"')
        self.add_number("[SENSe[1]]:FREQuency:APERture", gate, self._take_gate, lambda: self._gate_s)
        # common practice: a resolution of 1 Hz takes a gate of 1 s
        cycle_a_gate = Number(1.0 / LONGEST_GATE_S, 1.0 / SHORTEST_GATE_S, 1.0 / DEFAULT_GATE_S, unit="HZ")
        self.add_number(
            "[SENSe[1]]:FREQuency:RESolution",
            cycle_a_gate,
            lambda resolution_hz: self._take_gate(1.0 / resolution_hz),
            lambda: 1.0 / self._gate_s,
        )
        self.add_number("[SENSe[1]]:EVENt[1]:LEVel[:ABSolute]", level, self._take_level, lambda: self._level_v)
        self.add_number("INPut[1]:LEVel[:ABSolute]", level, self._take_level, lambda: self._level_v)
        self.add_number("INPut[1]:IMPedance", impedance, self._take_impedance, lambda: self._impedance_ohm)
        self.add_word("INPut[1]:COUPling", words("AC", "DC"), self._take_coupling, lambda: self._coupling)

    def reset(self) -> None:
        """Frequency, default gate, one sample, AC coupling, high impedance, trigger at 0 V."""
        self._coupling, self._impedance_ohm, self._level_v = "AC", HIGH_IMPEDANCE_OHM, 0.0
        self.configure(None, None)
        self.refresh()

    def plan(self, start_s: float) -> Planned[Gate]:
        """Wait for the first trigger, then open for as many whole periods as fill the gate time.

        The number of draws is always the same, so that one reading never shifts the chance of the next.
        """
        chance = self._chance
        waited, first, last = chance.random(), chance.standard_normal(), chance.standard_normal()
        rounding, unit_noise = chance.random() - 0.5, chance.standard_normal()
        frequency_hz = self._wiring.frequency_hz(start_s)
        if frequency_hz <= 0.0 or not self._triggers():
            end_s = start_s + max(self._configuration.patience_s, self._gate_s)
            return Planned(Gate(start_s, end_s, 0, 0.0, 0.0), end_s)
        opened_s = self._wiring.time_after_cycles(start_s, waited, frequency_hz)
        mean_hz = self._wiring.mean_frequency_hz(opened_s, opened_s + self._gate_s)
        periods = max(1, math.ceil(self._gate_s * mean_hz - NEARLY_WHOLE))
        closed_s = self._wiring.time_after_cycles(opened_s, periods, mean_hz)
        gate = Gate(
            start_s=opened_s,
            end_s=closed_s,
            periods=periods,
            jitter_s=self._configuration.trigger_jitter_s * (last - first)
            + self._configuration.resolution_s * rounding,
            noise=unit_noise * self._white_noise() * (closed_s - opened_s) ** -0.5,
        )
        return Planned(gate, closed_s)

    def result(self, plan: Gate) -> str:
        """Periods over the time that they took, as this counter times it; not-a-number without a signal."""
        if self.ails and Kind.HUM in self.ails:
            return real(
                self.ails[Kind.HUM] * (1.0 + HUM_UNSTEADY_PER_S * plan.jitter_s),
                DIGITS,
            )
        still_there = plan.periods > 0 and self._wiring.sounds(plan.end_s)
        if not still_there or (self.ails and Kind.NO_SIGNAL in self.ails):
            self.status.questionable.pulse(Questionable.FREQUENCY)
            return self.personality.no_result or real(NOT_A_NUMBER, DIGITS)
        time_base_error, counted = self.time_base_error, 1.0
        if self.ails:
            time_base_error -= PPM * self.ails.get(Kind.TIME_BASE, 0.0)
            counted = self.ails.get(Kind.MULTIPLE, 1.0)
        duration_s = plan.end_s - plan.start_s
        true_hz = self._wiring.mean_frequency_hz(plan.start_s, plan.end_s) * (1.0 + plan.noise)
        timed_s = duration_s * (1.0 + time_base_error) + plan.jitter_s
        return real(counted * true_hz * duration_s / timed_s, DIGITS)

    def _white_noise(self) -> float:
        """Relative standard deviation of the unit's own noise over 1 s."""
        unit = self._wiring.unit
        cents = 0.0 if unit is None else unit.description.noise.white_cents_at_1s
        return cents / CENTS * math.log(2.0)

    def _triggers(self) -> bool:
        """Whether the signal crosses the trigger level and its hysteresis."""
        unit = self._wiring.unit
        if unit is None:
            return False
        output = unit.description.output
        share = self._impedance_ohm / (self._impedance_ohm + output.resistance_ohm)
        centre_v = output.offset_v * share if self._coupling == "DC" else 0.0
        reach_v = 0.5 * output.peak_to_peak_v * share - 0.5 * self._configuration.hysteresis_v
        return abs(self._level_v - centre_v) < reach_v

    def configure(self, _expected_hz: float | None, _resolution_hz: float | None) -> None:
        """CONFigure: everything preset."""
        self._gate_s = DEFAULT_GATE_S
        self.configured()

    def _measure(self, expected_hz: float | None, resolution_hz: float | None) -> str:
        self.configure(expected_hz, resolution_hz)
        return self._initiate_and_fetch()

    def _take_function(self, _function: str) -> None:
        self.forget()

    def _take_gate(self, gate_s: float) -> None:
        self._gate_s = gate_s
        self.forget()

    def _take_level(self, level_v: float) -> None:
        self._level_v = level_v
        self.forget()

    def _take_impedance(self, impedance_ohm: float) -> None:
        low = impedance_ohm < math.sqrt(LOW_IMPEDANCE_OHM * HIGH_IMPEDANCE_OHM)
        self._impedance_ohm = LOW_IMPEDANCE_OHM if low else HIGH_IMPEDANCE_OHM
        self.forget()

    def _take_coupling(self, coupling: str) -> None:
        self._coupling = coupling
        self.forget()
