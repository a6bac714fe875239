"""The live watch: readings against a target while a trim is turned, and what they show of the hand."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import log2, nan
from typing import TYPE_CHECKING

from drivers.errors import NoSignal
from rig.errors import BenchDoubt, UnitWasOff
from rig.meter_range import odd_rail
from rig.operators.port import Seen, WatchReading
from rig.science.motion import DRIFT_CENTS_PER_S, Motion, Rules, follow
from rig.science.pitch import relative_to_cents
from rig.science.plausibility import stray_sentence

if TYPE_CHECKING:
    from rig.acquire import Acquisition

SHORTEST_GATE_S = 0.04
LONGEST_GATE_S = 0.1
"""At least eight updates a second, with what a message costs."""
OFF_S = 1.0
"""A signal that was away for longer comes from a unit that was off, or may have been."""
EXPECTED_OCTAVES = 100.0 / 1200.0
"""A pitch that a sweep has just told is met again this well."""
JUMP_OCTAVES = 0.45
"""Between two readings no hand turns a trim so far."""
RAIL_JUMP_SHARE = 0.05
RAIL_DRIFT_V_PER_S = 2e-6
RAIL_NOISE_SHARE = 0.1
"""Noise of one reading of the rail as a share of the tolerance, where the meter's own is not known better."""


@dataclass(slots=True)
class PitchWatch:
    """Live pitch at a held CV against a target, in cents.

    :param expected_octaves: pitch before anything is turned, octaves re 1 Hz, where it is known to ``within_octaves``.
    """

    acquisition: Acquisition
    cv_v: float
    target_octaves: float
    tolerance: float
    unit: str = "cents"
    expected_octaves: float | None = None
    within_octaves: float = EXPECTED_OCTAVES
    gate_s: float = SHORTEST_GATE_S
    motion: Motion = field(init=False)
    _programmed_v: float = 0.0
    _last_octaves: float | None = None

    def __post_init__(self) -> None:
        self.motion = Motion(Rules(self.tolerance, DRIFT_CENTS_PER_S))

    def begin(self) -> None:
        """Hold the CV and choose a gate for at least eight updates a second where the signal allows."""
        self._programmed_v, self._last_octaves = self.acquisition.hold(self.cv_v), None
        wanted_s = self.acquisition.gate_s(2.0**self.target_octaves, self.tolerance / 3.0)
        slow_s = 2.1 * 2.0**-self.target_octaves
        self.gate_s = min(max(SHORTEST_GATE_S, wanted_s), max(LONGEST_GATE_S, slow_s))

    def read(self, *, turning: bool = False) -> WatchReading:
        """Read once: distance to the target in cents.

        :raises UnitWasOff: the signal is back after it was away for long: the unit has cooled, and no target holds.
        :raises BenchDoubt: the pitch is where no hand has brought it.
        :raises ReadBackDiffers: so is the source.
        """
        clock = self.acquisition.bench.clock
        try:
            frequency_hz = self._heard_hz()
        except NoSignal:
            self._last_octaves, self.expected_octaves = None, None
            self.motion = follow(self.motion, clock.now(), None, nan)
            return WatchReading("no signal", nan, nan, nan, Seen.NO_SIGNAL)
        distance = 1200.0 * (self.target_octaves - log2(frequency_hz))
        doubt = float(relative_to_cents(self.acquisition.random_uncertainty(self.gate_s, frequency_hz)))
        self.motion = follow(self.motion, clock.now(), distance, doubt, turning=turning)
        if self.motion.gap_s > OFF_S:
            raise UnitWasOff("The unit was off while a trim was turned.")
        return WatchReading(
            shown=f"{frequency_hz:.3f} Hz",
            number=frequency_hz,
            distance=distance,
            standard_uncertainty=doubt,
            seen=Seen[self.motion.seen.name],
            done=self.motion.done,
        )

    def _heard_hz(self) -> float:
        """One reading; read once more where it is nowhere near the one before."""
        acquisition = self.acquisition
        frequency_hz = acquisition.read_once(self.gate_s)
        if not self._is_near(frequency_hz):
            frequency_hz = acquisition.read_once(self.gate_s)
            if not self._is_near(frequency_hz):
                acquisition.check_source(self._programmed_v)
                raise BenchDoubt(
                    f"The counter reads {frequency_hz:.2f} Hz at {self.cv_v:.2f} V, nowhere near the pitch of a moment "
                    "ago, and no hand turns so far: see to CV, output lead and trigger level"
                )
            session = acquisition.bench.counter.session
            session.mishaps.append(stray_sentence(session.name))
        self._last_octaves = log2(frequency_hz)
        return frequency_hz

    def _is_near(self, frequency_hz: float) -> bool:
        if self._last_octaves is not None:
            return abs(log2(frequency_hz) - self._last_octaves) < JUMP_OCTAVES
        if self.expected_octaves is not None:
            return abs(log2(frequency_hz) - self.expected_octaves) < self.within_octaves
        return True


@dataclass(slots=True)
class RailWatch:
    """Live rail voltage against a target, in volts."""

    acquisition: Acquisition
    target_v: float
    tolerance: float
    unit: str = "V"
    motion: Motion = field(init=False)
    _last_v: float | None = field(init=False)

    def __post_init__(self) -> None:
        self.motion = Motion(Rules(self.tolerance, RAIL_DRIFT_V_PER_S))
        self._last_v = self.acquisition.rail_v

    def read(self, *, turning: bool = False) -> WatchReading:
        """Read once: distance to the target in volts.

        :raises BenchDoubt: the voltage is where no hand has brought it.
        """
        voltage_v = self._read_v()
        distance, doubt = self.target_v - voltage_v, RAIL_NOISE_SHARE * self.tolerance
        self.motion = follow(self.motion, self.acquisition.bench.clock.now(), distance, doubt, turning=turning)
        return WatchReading(
            shown=f"{voltage_v:.4f} V",
            number=voltage_v,
            distance=distance,
            standard_uncertainty=doubt,
            seen=Seen[self.motion.seen.name],
            done=self.motion.done,
        )

    def _read_v(self) -> float:
        """One reading; read once more where it is nowhere near the one before."""
        meter, before_v = self.acquisition.bench.meter, self._last_v
        voltage_v = meter.read_voltage()
        if before_v is not None and abs(voltage_v - before_v) > RAIL_JUMP_SHARE * abs(self.target_v):
            voltage_v = meter.read_voltage()
            if abs(voltage_v - before_v) > RAIL_JUMP_SHARE * abs(self.target_v):
                said = f"The meter reads {voltage_v:.3f} V where it read {before_v:.3f} V a moment ago"
                raise odd_rail(f"{said}, and no hand turns so far", voltage_v, self.target_v)
            meter.session.mishaps.append(stray_sentence(meter.session.name))
        self._last_v = voltage_v
        return voltage_v
