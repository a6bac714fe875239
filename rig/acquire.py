"""Settle, gate, read, sweep: from a programmed voltage to a point with its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import exp, log, sqrt
from statistics import fmean
from typing import TYPE_CHECKING

import numpy as np

from drivers.errors import ReadBackDiffers
from rig.science.plausibility import stray_sentence, strays
from rig.science.settling import has_come_to_rest, time_constant_s
from rig.science.uncertainty import counter_relative_uncertainty, gate_for

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from rig.bench import Bench
    from rig.product import Measuring, Product
    from rig.science.characterisation import CvCorrection

SHORTEST_PERIODS = 1.0
"""A reciprocal counter times whole periods: a gate shorter than one lasts one all the same."""
READ_BACK_TOLERANCE_V = 0.05
LARGEST_READING_COUNT = 12
LEFT_SHARE = 0.1
"""Share of the uncertainty wanted that settling may leave."""
SETTLED_CENTS = 1.0
"""A pitch that comes so near to its end within the product's settling ceiling settles."""
NOISIER = 1.3
"""A unit is noisier than its product says when its readings scatter so many times as much."""
LEAST_DEGREES_OF_FREEDOM = 12
LONGEST_NOISY_GATE_S = 1.0
"""However noisy a unit is, no gate is made longer than this because of it."""
STRAY, STRAY_CENTS = 20.0, 20.0  # uncertainties and cents from the median of its neighbours: none of the same pitch
CENT = log(2.0) / 1200.0


@dataclass(frozen=True, slots=True)
class Point:
    """One point of a sweep.

    ``relative_standard_uncertainty`` is the random part of the frequency's uncertainty; the time base is common to
    all points and is added where a finding needs it. Of ``readings_taken`` the last ``readings_count`` agreed and were
    averaged; those before showed that the pitch had not settled. ``elapsed_s`` is on the bench's
    clock, from the sweep's start. ``cv_v`` is as the meter on the CV read it, where one is left there.
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
    cv_v: float | None = None
    """As the meter on the CV read it; None where none is left there."""


@dataclass(slots=True)
class Scatter:
    """White noise of a unit as its own readings show it, pooled over all that were taken at rest."""

    squares: float = 0.0
    degrees_of_freedom: int = 0

    def add(self, variance: float, edge_variance: float, gate_s: float, degrees_of_freedom: int) -> None:
        """Take in a relative variance of readings; what the counter's edges make of it is no noise of the unit."""
        self.squares += (variance - edge_variance) * gate_s * degrees_of_freedom
        self.degrees_of_freedom += degrees_of_freedom

    @property
    def cents_at_1s(self) -> float:
        """Noise of a mean over 1 s; 0 while too little was seen."""
        if self.degrees_of_freedom < LEAST_DEGREES_OF_FREEDOM:
            return 0.0
        return sqrt(max(0.0, self.squares / self.degrees_of_freedom)) / CENT


@dataclass(slots=True)
class Acquisition:
    """How a unit is measured on an open bench, with its bench time counted.

    What the unit's readings teach stays with it until :meth:`forget`: ``settling_s``, how long its pitch needs after a
    step of the CV (0 while the product's floor is enough), ``unsettled_s``, the same where it is longer than the
    product allows, and its noise.
    """

    bench: Bench
    product: Product
    line: CvCorrection
    spent: TimeSpent = field(default_factory=TimeSpent)
    ambient_c: float | None = None
    resting: bool = False
    """Whether the unit's controls are known to stand as they do in a sweep."""
    settling_s: float = 0.0
    unsettled_s: float | None = None
    scatter: Scatter = field(default_factory=Scatter)
    level_octaves: float | None = None
    """How far the unit as a whole was last seen from its nominal pitch."""
    rail_v: float | None = None
    """The unit's rail as it was last read."""
    meter_on_rail: bool = False
    _programmed_v: dict[float, float] = field(default_factory=dict, init=False)
    """What was programmed for each CV: the same few come again and again, and the line stays as it is."""
    _true_v: dict[float, float] = field(default_factory=dict, init=False)

    def forget(self) -> None:
        """Another unit lies on the bench: nothing is known of it."""
        self.settling_s, self.unsettled_s, self.scatter = 0.0, None, Scatter()
        self.level_octaves, self.rail_v = None, None

    @property
    def noise_cents_at_1s(self) -> float:
        """Noise by the product file, or by the unit's own readings where they are clearly noisier."""
        stated, seen = self.measuring.noise_cents_at_1s, self.scatter.cents_at_1s
        return seen if seen > NOISIER * stated else stated

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
        quiet, wanted = (
            gate_for(
                uncertainty_cents * CENT,
                expected_hz,
                trigger_jitter_s=counter.trigger_jitter_s,
                resolution_s=counter.resolution_s,
                noise_at_1s=noise_cents * CENT,
                periods=SHORTEST_PERIODS,
            )
            for noise_cents in (self.measuring.noise_cents_at_1s, self.noise_cents_at_1s)
        )
        wanted = max(quiet, min(wanted, LONGEST_NOISY_GATE_S))
        rounded = float(f"{max(wanted, counter.shortest_gate_s):.2g}")
        return min(rounded * 1.05, counter.longest_gate_s)

    def random_uncertainty(self, gate_s: float, frequency_hz: float) -> float:
        """Relative standard uncertainty of one reading, without the time base."""
        return self._random(gate_s, frequency_hz, self.noise_cents_at_1s)

    def _random(self, gate_s: float, frequency_hz: float, noise_cents_at_1s: float) -> float:
        counter = self.bench.file.counter
        return counter_relative_uncertainty(
            gate_s,
            frequency_hz,
            trigger_jitter_s=counter.trigger_jitter_s,
            resolution_s=counter.resolution_s,
            noise_at_1s=noise_cents_at_1s * CENT,
        )

    def hold(self, cv_v: float) -> float:
        """Put a voltage at the jack and let the pitch settle as long as it is known to need; what was programmed."""
        programmed_v = self._programmed_v.get(cv_v)
        if programmed_v is None:
            programmed_v = self.line.programmed_v(cv_v, self.bench.file.source.resolution_v)
            self._programmed_v[cv_v] = programmed_v
        started = self.bench.clock.now()
        self.bench.source.set_voltage(programmed_v)
        self.spent.traffic_s += self.bench.clock.now() - started
        self._wait(max(self.bench.file.source.settling_s, self.measuring.settle_floor_s, self.settling_s))
        return programmed_v

    def true_v(self, programmed_v: float) -> float:
        """Voltage at the jack by the source's characterisation."""
        if programmed_v not in self._true_v:
            self._true_v[programmed_v] = self.line.true_v(programmed_v)
        return self._true_v[programmed_v]

    def read_once(self, gate_s: float) -> float:
        """One reading at the CV held, Hz."""
        started = self.bench.clock.now()
        self.bench.counter.set_gate(gate_s)
        frequency_hz = self.bench.counter.read_frequency()
        self._count(started, gate_s)
        return frequency_hz

    def average(
        self, programmed_v: float, expected_hz: float, uncertainty_cents: float, *, readings: int = 2
    ) -> Averaged:
        """Read until the pitch has settled, and average readings from then on.

        It has settled when two readings agree within their noise at once, or, once two did not, when the changes have
        died away. Where the changes show a slow settling, its time constant is learned and its end waited for. The
        first gate runs while the source is read back. A pitch that comes to no rest is averaged all the same, with its
        scatter as uncertainty; where it still goes on one way after the ceiling, ``unsettled_s`` says so.

        :param readings: how many to average; from more than two their own scatter counts as well.
        :raises NoSignal: the counter sees nothing.
        :raises ReadBackDiffers: the source says that it puts out something else than was asked.
        """
        gate_s = self.gate_s(expected_hz, uncertainty_cents * sqrt(2.0))
        began = self.bench.clock.now()
        first_hz, read_back_v, cv_v = self._read_beside_read_back(gate_s, programmed_v)
        single = max(self.random_uncertainty(gate_s, first_hz), 1e-12)
        recent, in_step, taken = [log(first_hz)], 1, 1
        while len(recent) < LARGEST_READING_COUNT:
            started = self.bench.clock.now()
            recent.append(self._next(gate_s))
            taken += 1
            if has_come_to_rest(recent, single):
                kept = recent[-2:] if len(recent) > 2 or readings == 2 else recent[1:]
                while len(kept) < readings:
                    kept.append(self._next(gate_s))
                    taken += 1
                kept = self._without_stray(kept, gate_s, single)
                # what had to settle first may have been the CV itself
                cv_v = cv_v if taken <= readings + 1 else self._read_cv(programmed_v)
                return self._averaged(kept, gate_s, taken, read_back_v, cv_v)
            constant_s = time_constant_s(recent[in_step:], single, self.bench.clock.now() - started)
            if constant_s is not None and not self._let_settle(recent, constant_s, began, uncertainty_cents):
                break
            if constant_s is not None:
                recent, in_step = [self._next(gate_s)], 0
                taken += 1
        last = recent[len(recent) // 2 :]
        spread = float(np.std(last, ddof=1)) if len(last) > 1 else 0.0
        going_on = abs(last[-1] - last[0]) if self.unsettled_s is not None else 0.0
        relative = float(np.hypot(max(single, spread) / sqrt(len(last)), going_on))
        cv_v = self._read_cv(programmed_v)
        return Averaged(exp(fmean(last)), relative, gate_s, len(last), taken, read_back_v, cv_v)

    def _without_stray(self, kept: list[float], gate_s: float, single: float) -> list[float]:
        """One more reading in place of one that is none of the same pitch; a pitch that is restless keeps its own."""
        allowed = max(STRAY * single, STRAY_CENTS * CENT)
        odd = strays(kept, allowed)
        if len(odd) != 1:
            return kept
        one_more = [*(each for place, each in enumerate(kept) if place not in odd), self._next(gate_s)]
        if strays(one_more, allowed):
            return kept
        self.bench.counter.session.mishaps.append(stray_sentence(self.bench.counter.session.name))
        return one_more

    def _let_settle(self, recent: Sequence[float], constant_s: float, began: float, uncertainty_cents: float) -> bool:
        """Wait for the end of a settling whose time constant is known; False where it comes too late."""
        full, law = self.product.range.full, self.product.law.law()
        whole_cents = 1200.0 * float(law.octaves(full.high_v) - law.octaves(full.low_v))
        enough_cents = LEFT_SHARE * uncertainty_cents
        share = (recent[-1] - recent[-2]) / (recent[-2] - recent[-3])
        left_cents = abs(recent[-1] - recent[-2]) * share / (1.0 - share) / CENT
        gone_s, ceiling_s = self.bench.clock.now() - began, self.measuring.settle_ceiling_s
        needed_s = constant_s * log(max(whole_cents / enough_cents, 1.0))
        self.settling_s = max(self.settling_s, min(needed_s, 2.0 * ceiling_s))
        wait_s = constant_s * log(max(left_cents / enough_cents, 1.0))
        if gone_s >= ceiling_s and (left_cents > SETTLED_CENTS or gone_s >= 2.0 * ceiling_s):
            self.unsettled_s = max(gone_s, self.unsettled_s or 0.0)
            return False
        # what seems to take longer than allowed is looked at again when its time is over, before anybody is blamed
        near_s = constant_s * log(max(left_cents / SETTLED_CENTS, 1.0))
        self._wait(
            min(wait_s, 2.0 * ceiling_s - gone_s) if near_s <= max(0.0, ceiling_s - gone_s) else ceiling_s - gone_s
        )
        return True

    def _averaged(
        self, kept: Sequence[float], gate_s: float, taken: int, read_back_v: float, cv_v: float | None
    ) -> Averaged:
        frequency_hz, count = exp(fmean(kept)), len(kept)
        single = self.random_uncertainty(gate_s, frequency_hz)
        if count > 2:
            # successive differences: a slow drift is no scatter (J. von Neumann, 1941)
            variance = float(np.mean(np.square(np.diff(kept)))) / 2.0
            self.scatter.add(variance, self._random(gate_s, frequency_hz, 0.0) ** 2, gate_s, count - 1)
            single = max(self.random_uncertainty(gate_s, frequency_hz), sqrt(variance))
        return Averaged(frequency_hz, max(single, 1e-12) / sqrt(count), gate_s, count, taken, read_back_v, cv_v)

    def _read_beside_read_back(self, gate_s: float, programmed_v: float) -> tuple[float, float, float | None]:
        """One reading, Hz, and what the source says that it puts out meanwhile, and a meter on the CV reads, V."""
        started, cv_meter, cv_v = self.bench.clock.now(), self.bench.cv_meter, None
        beside = cv_meter is not None and not cv_meter.session.shares_with(self.bench.counter.session)
        if not beside:
            cv_v = self._read_cv(programmed_v)
        self.bench.counter.start(gate_s)
        read_back_v = self.bench.source.read_back()
        if beside:
            cv_v = self._read_cv(programmed_v)
        frequency_hz = self.bench.counter.fetch()
        self._count(started, gate_s)
        self._require_read_back(read_back_v, programmed_v)
        return frequency_hz, read_back_v, cv_v

    def check_source(self, programmed_v: float) -> None:
        """See by its read-back that the source puts out what was programmed.

        :raises ReadBackDiffers: it does not.
        """
        self._require_read_back(self.bench.source.read_back(), programmed_v)

    def _require_read_back(self, read_back_v: float, programmed_v: float) -> None:
        # a source with some resistance reads back what the unit's load leaves of the voltage
        loaded_v = self.true_v(programmed_v)
        if min(abs(read_back_v - programmed_v), abs(read_back_v - loaded_v)) > READ_BACK_TOLERANCE_V:
            self.bench.source.require_untripped()
            raise ReadBackDiffers(
                f"The source at {self.bench.source.session.resource} says {read_back_v:.3f} V where "
                f"{programmed_v:.3f} V was set: "
                "check its current limit and its wiring, then start again."
            )

    def _read_cv(self, programmed_v: float) -> float | None:
        """What stands at the jack as the meter left on it reads; None where none is.

        :raises ReadBackDiffers: that is far from what was programmed.
        """
        if self.bench.cv_meter is None:
            return None
        cv_v, expected_v = self.bench.cv_meter.read_voltage(), self.true_v(programmed_v)
        if abs(cv_v - expected_v) > READ_BACK_TOLERANCE_V:
            self.bench.source.require_untripped()
            raise ReadBackDiffers(
                f"The CV meter at {self.bench.cv_meter.session.resource} reads {cv_v:.3f} V where {expected_v:.3f} V "
                "should stand at the CV jack: see to its lead and to the source's, then start again."
            )
        return cv_v

    def _next(self, gate_s: float) -> float:
        """Natural logarithm of one more reading by the gate set."""
        started = self.bench.clock.now()
        frequency_hz = self.bench.counter.read_frequency()
        self._count(started, gate_s)
        return log(frequency_hz)

    def _wait(self, duration_s: float) -> None:
        self.bench.clock.sleep(duration_s)
        self.spent.settling_s += duration_s

    def measure(self, cv_v: float, expected_hz: float, uncertainty_cents: float) -> tuple[float, Averaged]:
        """Hold a CV and average there: what was programmed, and the average."""
        programmed_v = self.hold(cv_v)
        return programmed_v, self.average(programmed_v, expected_hz, uncertainty_cents)

    def point(self, index: int, programmed_v: float, averaged: Averaged, began_s: float, *, revisit: bool) -> Point:
        """The point of a sweep that an average makes which has just been taken.

        :param began_s: when the sweep began, on the bench's clock.
        """
        half_reading_s = averaged.gate_s * averaged.readings_count / 2.0
        return Point(
            index=index,
            cv_programmed_v=programmed_v,
            cv_v=self.true_v(programmed_v) if averaged.cv_v is None else averaged.cv_v,
            read_back_v=averaged.read_back_v,
            frequency_hz=averaged.frequency_hz,
            relative_standard_uncertainty=averaged.relative_standard_uncertainty,
            gate_s=averaged.gate_s,
            readings_count=averaged.readings_count,
            readings_taken=averaged.readings_taken,
            elapsed_s=self.bench.clock.now() - began_s - half_reading_s,
            revisit=revisit,
        )

    def _count(self, started: float, gate_s: float) -> None:
        took = self.bench.clock.now() - started
        gating = min(gate_s, took)
        self.spent.gating_s += gating
        self.spent.traffic_s += took - gating


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
    began = acquisition.bench.clock.now()
    seen: dict[int, float] = {}
    for index, revisit in sweep_order(len(cvs_v)):
        cv_v = cvs_v[index]
        expected = seen.get(index, expected_hz(cv_v))
        programmed_v, averaged = acquisition.measure(cv_v, expected, uncertainty_cents)
        seen[index] = averaged.frequency_hz
        yield acquisition.point(index, programmed_v, averaged, began, revisit=revisit)
