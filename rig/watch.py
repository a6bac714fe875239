"""The live watch: readings against a target while a trim is turned, and what they show of the hand."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import log2, nan
from typing import TYPE_CHECKING

from drivers.errors import NoSignal
from rig.operators.port import Seen, WatchReading
from rig.science.motion import DRIFT_CENTS_PER_S, Motion, Rules, follow
from rig.science.pitch import relative_to_cents

if TYPE_CHECKING:
    from rig.acquire import Acquisition

SHORTEST_GATE_S = 0.04
LONGEST_GATE_S = 0.1
"""At least eight updates a second, with what a message costs."""
OFF_S = 1.0
"""A signal that was away for longer comes from a unit that was off, or may have been."""
RAIL_DRIFT_V_PER_S = 2e-6
RAIL_NOISE_SHARE = 0.1
"""Noise of one reading of the rail as a share of the tolerance, where the meter's own is not known better."""


@dataclass(slots=True)
class PitchWatch:
    """Live pitch at a held CV against a target, in cents."""

    acquisition: Acquisition
    cv_v: float
    target_octaves: float
    tolerance: float
    unit: str = "cents"
    gate_s: float = SHORTEST_GATE_S
    was_off: bool = False
    motion: Motion = field(init=False)

    def __post_init__(self) -> None:
        self.motion = Motion(Rules(self.tolerance, DRIFT_CENTS_PER_S))

    def begin(self) -> None:
        """Hold the CV and choose a gate for at least eight updates a second where the signal allows."""
        self.acquisition.hold(self.cv_v)
        wanted_s = self.acquisition.gate_s(2.0**self.target_octaves, self.tolerance / 3.0)
        slow_s = 2.1 * 2.0**-self.target_octaves
        self.gate_s = min(max(SHORTEST_GATE_S, wanted_s), max(LONGEST_GATE_S, slow_s))

    def read(self, *, turning: bool = False) -> WatchReading:
        """Read once: distance to the target in cents."""
        clock = self.acquisition.bench.clock
        try:
            frequency_hz = self.acquisition.read_once(self.gate_s)
        except NoSignal:
            self.motion = follow(self.motion, clock.now(), None, nan)
            return WatchReading("no signal", nan, nan, nan, Seen.NO_SIGNAL)
        distance = 1200.0 * (self.target_octaves - log2(frequency_hz))
        doubt = float(relative_to_cents(self.acquisition.random_uncertainty(self.gate_s, frequency_hz)))
        self.motion = follow(self.motion, clock.now(), distance, doubt, turning=turning)
        self.was_off = self.was_off or self.motion.gap_s > OFF_S
        return WatchReading(
            shown=f"{frequency_hz:.3f} Hz",
            number=frequency_hz,
            distance=distance,
            standard_uncertainty=doubt,
            seen=Seen[self.motion.seen.name],
            done=self.motion.done,
        )


@dataclass(slots=True)
class RailWatch:
    """Live rail voltage against a target, in volts."""

    acquisition: Acquisition
    target_v: float
    tolerance: float
    unit: str = "V"
    motion: Motion = field(init=False)

    def __post_init__(self) -> None:
        self.motion = Motion(Rules(self.tolerance, RAIL_DRIFT_V_PER_S))

    def read(self, *, turning: bool = False) -> WatchReading:
        """Read once: distance to the target in volts."""
        voltage_v = self.acquisition.bench.meter.read_voltage()
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
