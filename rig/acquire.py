"""Settle, gate, read, sweep: from a programmed voltage to a point with its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import log, log2, sqrt
from typing import TYPE_CHECKING

import numpy as np

from drivers.errors import ReadBackDiffers
from rig.science.uncertainty import counter_relative_uncertainty, cv_covariance, gate_for

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from numpy.typing import ArrayLike, NDArray

    from rig.bench import Bench
    from rig.product import Measuring, Product
    from rig.science.characterisation import CvCorrection

SHORTEST_PERIODS = 1.0
"""A reciprocal counter times whole periods: a gate shorter than one lasts one all the same."""
AGREEMENT = 3.0
"""Successive readings agree when they differ by less than so many standard uncertainties of their difference."""
READ_BACK_TOLERANCE_V = 0.05
LARGEST_READING_COUNT = 12


@dataclass(frozen=True, slots=True)
class CvLine:
    """Programmed voltage to voltage at the unit's jack: true = offset_v + gain * programmed.

    ``covariance`` is (2, 2), of offset and gain together.
    """

    offset_v: float
    gain: float
    covariance: NDArray[np.float64]

    def true_v(self, programmed_v: float) -> float:
        """Voltage at the jack."""
        return self.offset_v + self.gain * programmed_v

    def covariance_at(self, programmed_v: ArrayLike) -> NDArray[np.float64]:
        """Covariance of the voltages at the jack, V squared, shape (n, n)."""
        return cv_covariance(programmed_v, self.covariance)

    def programmed_v(self, true_v: float, resolution_v: float) -> float:
        """What to program, on the source's own grid, for a voltage at the jack."""
        return round(round((true_v - self.offset_v) / self.gain / resolution_v) * resolution_v, 9)


@dataclass(frozen=True, slots=True)
class Point:
    """One point of a sweep.

    ``relative_standard_uncertainty`` is the random part of the frequency's uncertainty; the time base is common to
    all points and is added where a finding needs it. Of ``readings_taken`` the last ``readings_count`` agreed and were
    averaged; those before showed that the pitch had not settled. ``elapsed_s`` is on the bench's
    clock, from the sweep's start.
    """

    index: int
    cv_programmed_v: float
    cv_v: float
    read_back_v: float
    frequency_hz: float
    relative_standard_uncertainty: float
    gate_s: float
    readings_count: int
    readings_taken: int
    elapsed_s: float
    revisit: bool


@dataclass(slots=True)
class TimeSpent:
    """Where bench time went, s."""

    settling_s: float = 0.0
    gating_s: float = 0.0
    traffic_s: float = 0.0

    def waiting_s(self, duration_s: float) -> float:
        """What of a duration is in none of the others: people, pauses of the warm-up, computing."""
        return duration_s - self.settling_s - self.gating_s - self.traffic_s


@dataclass(frozen=True, slots=True)
class Averaged:
    """A frequency averaged over readings that agreed."""

    frequency_hz: float
    relative_standard_uncertainty: float
    gate_s: float
    readings_count: int
    readings_taken: int
    read_back_v: float


@dataclass(slots=True)
class Acquisition:
    """How a unit is measured on an open bench, with its bench time counted."""

    bench: Bench
    product: Product
    line: CvCorrection
    spent: TimeSpent = field(default_factory=TimeSpent)
    ambient_c: float | None = None
    resting: bool = False
    """Whether the unit's controls are known to stand as they do in a sweep."""

    @property
    def time_base_relative(self) -> float:
        """Relative standard uncertainty of the counter's time base today, common to all readings."""
        return self.bench.file.counter.time_base_relative(self.bench.today, self.ambient_c)

    @property
    def measuring(self) -> Measuring:
        """The product's measuring rules."""
        return self.product.measuring

    def gate_s(self, expected_hz: float, uncertainty_cents: float) -> float:
        """Shortest gate for a wanted standard uncertainty of one reading, never shorter than the signal needs."""
        counter = self.bench.file.counter
        wanted = gate_for(
            uncertainty_cents * log(2.0) / 1200.0,
            expected_hz,
            trigger_jitter_s=counter.trigger_jitter_s,
            resolution_s=counter.resolution_s,
            noise_at_1s=self.measuring.noise_cents_at_1s * log(2.0) / 1200.0,
            periods=SHORTEST_PERIODS,
        )
        rounded = float(f"{max(wanted, counter.shortest_gate_s):.2g}")
        return min(rounded * 1.05, counter.longest_gate_s)

    def random_uncertainty(self, gate_s: float, frequency_hz: float) -> float:
        """Relative standard uncertainty of one reading, without the time base."""
        counter = self.bench.file.counter
        return counter_relative_uncertainty(
            gate_s,
            frequency_hz,
            trigger_jitter_s=counter.trigger_jitter_s,
            resolution_s=counter.resolution_s,
            noise_at_1s=self.measuring.noise_cents_at_1s * log(2.0) / 1200.0,
            time_base_relative=0.0,
        ).random

    def hold(self, cv_v: float) -> float:
        """Put a voltage at the jack and wait out the settling floor; what was programmed is returned."""
        programmed_v = self.line.programmed_v(cv_v, self.bench.file.source.resolution_v)
        started = self.bench.clock.now()
        self.bench.source.set_voltage(programmed_v)
        self.spent.traffic_s += self.bench.clock.now() - started
        floor_s = max(self.bench.file.source.settling_s, self.measuring.settle_floor_s)
        self.bench.clock.sleep(floor_s)
        self.spent.settling_s += floor_s
        return programmed_v

    def read_once(self, gate_s: float) -> float:
        """One reading at the CV held, Hz."""
        started = self.bench.clock.now()
        self.bench.counter.set_gate(gate_s)
        frequency_hz = self.bench.counter.read_frequency()
        self._count(started, gate_s)
        return frequency_hz

    def average(self, programmed_v: float, expected_hz: float, uncertainty_cents: float) -> Averaged:
        """Read until successive readings agree within their noise, and average those that do.

        The first gate runs while the source is read back. Past the settling ceiling the scatter itself becomes the
        uncertainty.

        :raises NoSignal: the counter sees nothing.
        :raises ReadBackDiffers: the source says that it puts out something else than was asked.
        """
        clock, counter = self.bench.clock, self.bench.counter
        gate_s = self.gate_s(expected_hz, uncertainty_cents * sqrt(2.0))
        began = started = clock.now()
        counter.start(gate_s)
        read_back_v = self.bench.source.read_back()
        readings = [counter.fetch()]
        self._count(started, gate_s)
        loaded_v = self.line.true_v(programmed_v)
        if min(abs(read_back_v - programmed_v), abs(read_back_v - loaded_v)) > READ_BACK_TOLERANCE_V:
            raise ReadBackDiffers(
                f"The source at {self.bench.source.session.resource} says {read_back_v:.3f} V where "
                f"{programmed_v:.3f} V was set: "
                "check its current limit and its wiring, then start again."
            )
        single = max(self.random_uncertainty(gate_s, readings[0]), 1e-12)
        while len(readings) < LARGEST_READING_COUNT:
            started = clock.now()
            readings.append(counter.read_frequency())
            self._count(started, gate_s)
            if self._agree(readings[-2], readings[-1], single):
                pair = readings[-2:]
                return Averaged(_geometric_mean(pair), single / sqrt(2.0), gate_s, 2, len(readings), read_back_v)
            if clock.now() - began > self.measuring.settle_ceiling_s:
                break
        last = readings[len(readings) // 2 :]
        scatter = float(np.std(np.log(last), ddof=1)) if len(last) > 1 else single
        return Averaged(
            _geometric_mean(last),
            max(single, scatter) / sqrt(len(last)),
            gate_s,
            len(last),
            len(readings),
            read_back_v,
        )

    def measure(self, cv_v: float, expected_hz: float, uncertainty_cents: float) -> tuple[float, Averaged]:
        """Hold a CV and average there: what was programmed, and the average."""
        programmed_v = self.hold(cv_v)
        return programmed_v, self.average(programmed_v, expected_hz, uncertainty_cents)

    def _agree(self, one_hz: float, other_hz: float, single: float) -> bool:
        return abs(log(other_hz / one_hz)) <= AGREEMENT * sqrt(2.0) * single

    def _count(self, started: float, gate_s: float) -> None:
        took = self.bench.clock.now() - started
        gating = min(gate_s, took)
        self.spent.gating_s += gating
        self.spent.traffic_s += took - gating


def _geometric_mean(frequencies_hz: Sequence[float]) -> float:
    return float(2.0 ** np.mean([log2(each) for each in frequencies_hz]))


def sweep_order(count: int) -> tuple[tuple[int, bool], ...]:
    """Order of the points of a sweep: (index, revisit).

    Low and high come first, in the middle and last, so that drift of offset and of slope can be told from tracking;
    between them every other point up, then the rest down.

    :raises ValueError: fewer than three points.
    """
    if count < 3:
        raise ValueError(f"a sweep needs at least 3 points, not {count}")
    low, high = 0, count - 1
    up = range(2, high, 2)
    down = range(high - 1 if (high - 1) % 2 else high - 2, 0, -2)
    first = [(low, False), (high, False)]
    returns = [(low, True), (high, True)]
    return (*first, *((i, False) for i in up), *returns, *((i, False) for i in down), *returns)


def sweep(
    acquisition: Acquisition,
    cvs_v: Sequence[float],
    expected_hz: Callable[[float], float],
    *,
    uncertainty_cents: float,
) -> Iterator[Point]:
    """Measure a unit over a list of control voltages, low to high; points come as they are taken.

    :param expected_hz: what the unit is expected to give at a CV, for the choice of gate.
    :raises NoSignal: at the first CV where the counter sees nothing.
    """
    clock = acquisition.bench.clock
    began = clock.now()
    seen: dict[int, float] = {}
    for index, revisit in sweep_order(len(cvs_v)):
        cv_v = cvs_v[index]
        expected = seen.get(index, expected_hz(cv_v))
        programmed_v, averaged = acquisition.measure(cv_v, expected, uncertainty_cents)
        seen[index] = averaged.frequency_hz
        half_reading_s = averaged.gate_s * averaged.readings_count / 2.0
        yield Point(
            index=index,
            cv_programmed_v=programmed_v,
            cv_v=acquisition.line.true_v(programmed_v),
            read_back_v=averaged.read_back_v,
            frequency_hz=averaged.frequency_hz,
            relative_standard_uncertainty=averaged.relative_standard_uncertainty,
            gate_s=averaged.gate_s,
            readings_count=averaged.readings_count,
            readings_taken=averaged.readings_taken,
            elapsed_s=clock.now() - began - half_reading_s,
            revisit=revisit,
        )
