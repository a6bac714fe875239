"""More readings where a decision is in doubt because readings scatter: at the points that matter, in the time allowed.

The size of the second look is settled before it begins, and it is judged once: whoever looks after each reading and
stops at the first good one passes more than the guard band promises (A. Wald, 1945). What was decided at the first
look stays decided.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import ceil
from typing import TYPE_CHECKING

import numpy as np

from rig.acquire import Point
from rig.assess import assess_sweep, tracking_findings
from rig.budgets import sweep_budgets
from rig.science.conformity import LONGER_PROBABILITY, Decision
from rig.undecided import MOST, is_in_doubt, times_for

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from rig.acquire import Acquisition
    from rig.assess import Finding, SweepAssessment
    from rig.budgets import Stated
    from rig.operators.port import Operator
    from rig.records import Recorder

    Array = NDArray[np.float64]

READINGS_A_PASS = 8
ANCHOR_READINGS = 2
LONGER = "_longer"
NOTE = "measured longer"


@dataclass(slots=True)
class Patience:
    """Time that one survey may still spend on more readings, s."""

    left_s: float

    def spend(self, duration_s: float) -> None:
        """Some of it is gone."""
        self.left_s = max(0.0, self.left_s - duration_s)


@dataclass(frozen=True, slots=True)
class Wanted:
    """More readings: of which points of the sweep, and how many of each."""

    readings: Mapping[int, int]

    @property
    def passes(self) -> int:
        """Over how many passes they are spread, so that drift is seen between them."""
        return ceil(max(self.readings.values()) / READINGS_A_PASS)


@dataclass(frozen=True, slots=True)
class Looked:
    """The sweep and its findings after what was done about those in doubt."""

    assessed: SweepAssessment
    findings: tuple[Finding, ...]


def look_longer(
    acquisition: Acquisition,
    operator: Operator,
    recorder: Recorder,
    phase: str,
    first: Looked,
    others: Sequence[Finding],
    stated: Stated,
    controls: Mapping[str, str],
    patience: Patience,
) -> Looked:
    """Take more readings for the findings of a sweep that are in doubt, and judge those once more.

    Nothing is done where a finding fails for sure: it decides the verdict.

    :param others: findings that are not of the sweep.
    """
    if any(each.decision is Decision.FAIL for each in (*first.findings, *others)):
        return first
    wanted = readings_wanted(acquisition, first, stated, patience.left_s)
    if wanted is None:
        return first
    doubtful = ", ".join(each.label for each in first.findings if times_for(each) > 1.0 and is_in_doubt(each))
    operator.tell(f"In doubt because readings scatter: {doubtful}. More readings are taken.")
    began_s = acquisition.bench.clock.now()
    sweep_id = recorder.sweep(phase + LONGER, controls)
    points: list[Point] = []
    for number in range(wanted.passes):
        if acquisition.bench.clock.now() - began_s >= patience.left_s:
            break
        for point in _one_pass(acquisition, first.assessed, wanted, number, began_s):
            recorder.point(sweep_id, len(points), point)
            points.append(point)
        operator.progress(f"sweep {phase.replace('_', ' ')} longer", number + 1, wanted.passes)
    patience.spend(acquisition.bench.clock.now() - began_s)
    combined = assess_sweep(
        together(first.assessed, points), acquisition.product, acquisition.bench.file, acquisition.line
    )
    recorder.fit(sweep_id, combined)
    if not combined.fit.converged or _drifted_too_far(combined, acquisition.measuring.sweep_drift_cents):
        operator.tell("The unit drifted while more readings were taken: what was found before stands.")
        return first
    return Looked(combined, _judged_again(acquisition, first.findings, combined, stated))


def readings_wanted(acquisition: Acquisition, first: Looked, stated: Stated, left_s: float) -> Wanted | None:
    """Which points matter for the findings in doubt, and how many more readings of each; None where none help."""
    times = {each.characteristic: times_for(each) for each in first.findings if is_in_doubt(each)}
    most = min(max(times.values(), default=1.0), MOST)
    if most <= 1.0 or not first.assessed.fit.converged:
        return None
    product, points = acquisition.product, first.assessed.points
    budgets = sweep_budgets(first.assessed, points, product, stated, acquisition.line)
    shares = sum(
        variance / np.sum(variance)
        for name, variance in budgets.scatter_by_setting().items()
        if times.get(name, 1.0) > 1.0
    )
    chosen = _that_matter(np.asarray(shares), most)
    index = np.array([each.index for each in points])
    counts = np.bincount(index, weights=[each.readings_count for each in points])
    gates_s = np.array([each.gate_s for each in points])[np.unique(index, return_index=True)[1]]
    readings = np.ceil((most - 1.0) * counts[chosen])
    settling_s = acquisition.bench.file.source.settling_s + acquisition.measuring.settle_floor_s
    passes = np.ceil(np.max(readings) / READINGS_A_PASS)
    ends = [place for place in (0, gates_s.size - 1) if place not in chosen]
    anchors_s = passes * ANCHOR_READINGS * float(np.sum(gates_s[ends]))
    needed_s = float(readings @ gates_s[chosen] + passes * settling_s * (chosen.size + len(ends)) + anchors_s)
    readings = np.floor(readings * min(1.0, left_s / needed_s))
    if not np.any(readings >= 1.0):
        return None
    return Wanted({int(place): int(count) for place, count in zip(chosen, readings, strict=True) if count >= 1.0})


def _that_matter(shares: Array, times: float) -> NDArray[np.int64]:
    """The fewest settings that hold so much of the variance that the others do not keep it from falling so far."""
    order = np.argsort(-shares)
    held = np.cumsum(shares[order]) / np.sum(shares)
    enough = int(np.searchsorted(held, 1.0 - 0.5 / times)) + 1
    return np.sort(order[:enough])


def _one_pass(
    acquisition: Acquisition, assessed: SweepAssessment, wanted: Wanted, number: int, began_s: float
) -> list[Point]:
    """Low and high for the drift, and the points that matter, up or down in turn."""
    ends = (0, assessed.x.size - 1)
    order = sorted({*wanted.readings, *ends}, reverse=bool(number % 2))
    first = {each.index: each for each in reversed(assessed.points)}
    points = []
    for index in order:
        counted = index in wanted.readings
        readings = ceil(wanted.readings[index] / wanted.passes) if counted else ANCHOR_READINGS
        known = first[index]
        programmed_v = acquisition.hold(known.cv_v)
        wanted_cents = acquisition.measuring.uncertainty_cents
        averaged = acquisition.average(programmed_v, known.frequency_hz, wanted_cents, readings=max(readings, 2))
        points.append(acquisition.point(index, programmed_v, averaged, began_s, revisit=not counted))
    return points


def together(assessed: SweepAssessment, more: Sequence[Point]) -> tuple[Point, ...]:
    """Points of two looks on one clock: the second began when the first ended, as nobody waits between them.

    Readings of the first look that scattered more than was stated of them count for less.
    """
    last, weaker = assessed.points[-1], max(1.0, assessed.noise_inflation)
    ended_s = last.elapsed_s + last.gate_s * last.readings_count / 2.0
    return (
        *(
            replace(each, relative_standard_uncertainty=weaker * each.relative_standard_uncertainty)
            for each in assessed.points
        ),
        *(replace(each, elapsed_s=each.elapsed_s + ended_s) for each in more),
    )


def _drifted_too_far(assessed: SweepAssessment, allowed_cents: float) -> bool:
    minutes = max(each.elapsed_s for each in assessed.points) / 60.0
    return assessed.drifted_cents - 2.0 * max(assessed.drift_standard_uncertainty) * minutes > allowed_cents


def _judged_again(
    acquisition: Acquisition, first: Sequence[Finding], combined: SweepAssessment, stated: Stated
) -> tuple[Finding, ...]:
    again = tracking_findings(
        combined, acquisition.product, stated, acquisition.line, guard_probability=LONGER_PROBABILITY
    )
    return tuple(
        replace(later, note=f"{later.note}; {NOTE}".lstrip("; "))
        if is_in_doubt(before) and times_for(before) > 1.0
        else before
        for before, later in zip(first, again, strict=True)
    )
