"""A bench of the past: the virtual bench's accuracies and physics, a clock that can be set, and no instruments."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import timedelta
from math import log2
from typing import TYPE_CHECKING

import numpy as np

from drivers.virtual.heat import Heat
from rig.acquire import Acquisition, Point, sweep_order
from rig.stages.pitch_readings import Pitch
from rig.stages.survey import FIRST_READINGS, READINGS, Voltage
from rig.steady_clock import SteadyClock

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from datetime import datetime

    from drivers.hands import Hands
    from drivers.virtual.live_unit import UnitState
    from rig.bench import Bench

LN2 = float(np.log(2.0))
BETWEEN_POINTS_S = 0.06
"""What a step of the CV and its messages take."""


@dataclass(slots=True)
class SetClock:
    """A clock that says what it is told."""

    moment: datetime
    elapsed_s: float = 0.0

    def now(self) -> float:
        """Seconds since it was last set."""
        return self.elapsed_s

    def sleep(self, duration_s: float) -> None:
        """Let time pass at once."""
        self.elapsed_s += max(0.0, duration_s)

    def utc(self) -> datetime:
        """The moment."""
        return self.moment + timedelta(seconds=self.elapsed_s)

    def set(self, moment: datetime) -> None:
        """Go to another moment."""
        self.moment, self.elapsed_s = moment, 0.0


@dataclass(frozen=True, slots=True)
class PastInstruments:
    """What stands behind the resources of a bench of the past: its clock alone."""

    clock: SetClock
    resources: Mapping[str, str] = field(default_factory=dict)
    hands: Hands | None = None
    outlives_program: bool = False
    names_differ: bool = False

    def close(self) -> None:
        """Nothing was started."""


class DateAsSet(SteadyClock):
    """The bench's clock, whose date follows every setting: here each is meant."""

    def utc(self) -> datetime:
        """The date that was set, and the time since then."""
        return self._clock.utc()


def in_the_past(bench: Bench, clock: SetClock) -> Bench:
    """The same bench on a clock that can be set; its instruments are not to be spoken to."""
    return replace(bench, provider=PastInstruments(clock), clock=DateAsSet(clock))


@dataclass(slots=True)
class InventedBench:
    """A unit lies on a bench of the past and is read by the physics of the virtual oscillator.

    :param lead_ohm: resistance that the bench's CV lead has come by; nobody knows of it.
    """

    acquisition: Acquisition
    clock: SetClock
    generator: np.random.Generator
    lead_ohm: float = 0.0

    def frequency_hz(self, unit: UnitState, cv_v: float) -> float:
        """Pitch at this moment without noise, of what is left of a CV behind the lead."""
        input_ohm = unit.description.input.resistance_ohm
        return unit.frequency_hz(self.clock.now(), cv_v * input_ohm / (input_ohm + self.lead_ohm))

    def points(self, unit: UnitState, cvs_v: list[float]) -> Iterator[Point]:
        """Points of a sweep, in the rig's own order."""
        began_s = self.clock.now()
        wanted = self.acquisition.measuring.uncertainty_cents
        for index, revisit in sweep_order(len(cvs_v)):
            programmed_v = self.acquisition.line.programmed_v(
                cvs_v[index], self.acquisition.bench.file.source.resolution_v
            )
            cv_v = self.acquisition.line.true_v(programmed_v)
            self.clock.sleep(BETWEEN_POINTS_S)
            true_hz = self.frequency_hz(unit, cv_v)
            gate_s = self.acquisition.gate_s(true_hz, wanted * np.sqrt(2.0))
            relative = self.acquisition.random_uncertainty(gate_s, true_hz) / np.sqrt(2.0)
            self.clock.sleep(2.0 * gate_s)
            yield Point(
                index=index,
                cv_programmed_v=programmed_v,
                cv_v=cv_v,
                read_back_v=programmed_v,
                frequency_hz=float(true_hz * (1.0 + relative * self.generator.standard_normal())),
                relative_standard_uncertainty=float(relative),
                gate_s=gate_s,
                readings_count=2,
                readings_taken=2,
                elapsed_s=self.clock.now() - began_s - gate_s,
                revisit=revisit,
            )

    def pitch(self, unit: UnitState, cv_v: float, *, first: bool = False) -> Pitch:
        """Average of a few readings at one CV."""
        readings = FIRST_READINGS if first else READINGS
        true_hz = self.frequency_hz(unit, cv_v)
        gate_s = self.acquisition.gate_s(true_hz, self.acquisition.measuring.uncertainty_cents * np.sqrt(2.0))
        octaves = self.acquisition.random_uncertainty(gate_s, true_hz) / np.sqrt(readings) / LN2
        self.clock.sleep(BETWEEN_POINTS_S + readings * gate_s)
        return Pitch(log2(true_hz) + octaves * float(self.generator.standard_normal()), float(octaves))

    def rail(self, unit: UnitState) -> Voltage:
        """Reference rail by the meter, which may be off by what its calibration allows."""
        role = self.acquisition.bench.file.meter
        true_v = unit.rail_v()
        stated_v = role.standard_uncertainty_v(true_v, self.acquisition.bench.today, self.acquisition.ambient_c)
        self.clock.sleep(0.2)
        return Voltage(true_v + 1e-6 * float(self.generator.standard_normal()), float(stated_v))

    def warm_for(self, unit: UnitState, elapsed_s: float) -> UnitState:
        """The unit as it was switched on so long ago."""
        thermal = unit.description.thermal
        heat = Heat(self.clock.now() - elapsed_s, powered=True).at(self.clock.now(), thermal)
        return replace(unit, heat=heat)
