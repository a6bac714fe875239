"""The uncertainty budget of each finding: what goes in, how far it moves the result, and what it comes to.

A finding of a sweep is linear in the readings, so each budget is a row of weights on them: what every reading has of
its own adds in squares along the row, and what they have in common (the meter's gain and offset behind the source's
characterisation) adds with its sign.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import ceil, inf, log, sqrt
from typing import TYPE_CHECKING

import numpy as np

from rig.science.budget import PROBABILITY, Budget, Distribution, Input, from_half_width
from rig.science.drift import drift_columns
from rig.science.levels import averaging, fit_sensitivities, level_sensitivities, pooled_scatter
from rig.science.measured_cv import MeasuredCv, own_uncertainty_v
from rig.science.points import centring
from rig.science.tracking import jacobian
from rig.science.tracking_solver import TERMS
from rig.science.uncertainty import SQRT6

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from numpy.typing import NDArray

    from rig.acquire import Point
    from rig.assess import SweepAssessment
    from rig.bench import BenchFile
    from rig.product import Product
    from rig.science.characterisation import CvCorrection
    from rig.science.levels import Scatter
    from rig.specification import MeterSpecification

    Array = NDArray[np.float64]
    Flags = NDArray[np.bool_]

CENTS = 1200.0
SQRT3, SQRT12 = sqrt(3.0), sqrt(12.0)
DRIFT_NOTE = "Drift of offset and slope is taken away in the fit; what that costs is in the rows of the readings."
READINGS = "readings"
"""Evaluation of what readings have for themselves: the scatter of all of them together says how large it is."""
ONE_OUTWEIGHS = 0.7
"""Share of the variance that one reading needs to lend its own distribution to the sum; many make it normal."""
ROUNDING = 1e-12
"""What is left of errors that cancel, as a share of the variance that they would have."""
NOTHING = 1e-6
"""Share of the largest contribution under which an input is left out of the table."""
TRIGGER, RESOLUTION, NOISE, REPEATABILITY = (
    "counter trigger",
    "counter resolution",
    "noise of the unit",
    "repeatability",
)
REDUCIBLE = (TRIGGER, RESOLUTION, NOISE, REPEATABILITY)
"""Inputs that more readings reduce."""
ABOUT_LINE = "readings about their line"
CONTRADICTION = 1e-3
"""Share by which the meter's limits may exceed what the characterisation says of the CV as a whole."""


@dataclass(frozen=True, slots=True)
class Stated:
    """Standard uncertainties that follow from what the calibrations of the bench state today.

    ``meter_gain`` (relative) and ``meter_offset_v`` are what all readings in the range have in common, and
    ``meter_resolution_v`` is each reading's own;
    ``source_grid_v`` is what each setting of the source has for itself; ``curve_degrees_of_freedom`` those of the fit
    that characterised the source.
    """

    meter_gain: float
    meter_offset_v: float
    time_base_relative: float
    source_grid_v: float
    trigger_jitter_s: float
    resolution_s: float
    curve_degrees_of_freedom: float = inf
    meter_resolution_v: float = 0.0


def stated_of(
    bench: BenchFile,
    highest_v: float,
    on: date,
    ambient_c: float | None = None,
    *,
    curve_degrees_of_freedom: float = inf,
    meter: MeterSpecification | None = None,
) -> Stated:
    """What the bench file states on a day for the meter's range that holds ``highest_v``.

    :param meter: in place of the one on the rail.
    :raises BenchProblem: no range holds it.
    """
    meter, counter = meter or bench.meter, bench.counter
    error = meter.error(meter.range_for(highest_v), on, ambient_c)
    return Stated(
        meter_gain=error.gain,
        meter_offset_v=error.offset_v,
        time_base_relative=counter.time_base_relative(on, ambient_c),
        source_grid_v=bench.source.resolution_v / SQRT12,
        trigger_jitter_s=counter.trigger_jitter_s,
        resolution_s=counter.resolution_s,
        curve_degrees_of_freedom=curve_degrees_of_freedom,
        meter_resolution_v=error.resolution_v,
    )


def scale_weights(x: Array, musical: Flags) -> Array:
    """Weights of the points in the slope of a straight line over the musical range, (n,)."""
    away = np.where(musical, x - np.mean(x[musical]), 0.0)
    return np.asarray(away / np.sum(away**2))


def highs_weights(x: Array, musical: Flags) -> Array:
    """Weights of the points in the distance of the highest from that straight line, (n,)."""
    at_top = (x[-1] - np.mean(x[musical])) * scale_weights(x, musical) + musical / np.sum(musical)
    weights = -at_top
    weights[-1] += 1.0
    return np.asarray(weights)


@dataclass(frozen=True, slots=True)
class SweepBudgets:
    """Budgets of what one sweep says, each made when it is asked for.

    ``levels`` (points, readings) are the derivatives of the drift-free pitches, sorted by CV, by every reading of the
    sweep, and ``terms`` (4, readings) those of the tracking terms. ``trigger``, ``resolution`` and ``noise`` are what
    each reading has for itself, octaves; ``grid`` is shared by readings of one setting, ``settings``. All of them are
    as stated, and count times ``scatter.factor``.
    """

    assessed: SweepAssessment
    product: Product
    stated: Stated
    levels: Array
    terms: Array
    trigger: Array
    resolution: Array
    noise: Array
    grid: Array
    settings: NDArray[np.int64]
    scatter: Scatter
    octaves_per_volt: Array
    cv_v: Array
    cv_covariance_v2: Array
    cv_by: str = "source grid"
    """What each CV has for itself."""

    def scale_error(self) -> Budget:
        """Slope over the musical range, cents per octave."""
        weights = scale_weights(self.assessed.x, self.assessed.musical)
        return self._of_points("scale error", "cents/octave", weights)

    def highs_error(self) -> Budget:
        """Highest point against the straight line, cents."""
        return self._of_points("highs error", "cents", highs_weights(self.assessed.x, self.assessed.musical))

    def point(self, index: int) -> Budget:
        """Tracking error of one point, counted from the lowest CV, cents."""
        weights = np.zeros(self.assessed.x.size)
        weights[index] = 1.0
        return self._of_points(f"tracking error at {self.assessed.cv_v[index]:.3f} V", "cents", weights)

    def worst(self, mask: Flags | None = None) -> Budget:
        """Budget of the point that is worst within ``mask``: the bounds of the worst of all are Monte Carlo's."""
        errors, index = np.abs(self.assessed.error_cents), self._worst_index(mask)
        return replace(
            self.point(index),
            quantity="worst tracking error",
            value=float(errors[index]),
            note=f"of the worst point, at {self.assessed.cv_v[index]:.3f} V; bounds by Monte Carlo over all points",
        )

    def _worst_index(self, mask: Flags | None) -> int:
        errors = np.abs(self.assessed.error_cents)
        return int(np.argmax(errors if mask is None else np.where(mask, errors, -1.0)))

    def scatter_by_setting(self) -> dict[str, Array]:
        """Variance of each finding that more readings reduce, by the setting at which it arises, cents squared.

        :returns: by characteristic, each (settings,).
        """
        x, musical = self.assessed.x, self.assessed.musical
        points = {
            "scale_error": scale_weights(x, musical),
            "highs_error": highs_weights(x, musical),
            "tracking_musical": np.eye(x.size)[self._worst_index(musical)],
            "tracking_full": np.eye(x.size)[self._worst_index(None)],
        }
        rows = {name: self._row_of_points(weights) for name, weights in points.items()}
        rows["base_pitch"] = self._row_of_base()
        own = np.square(self.trigger) + np.square(self.resolution) + np.square(self.noise)
        settings = np.arange(x.size) == self.settings[:, None]
        return {name: np.asarray(np.square(row) * own @ settings) for name, row in rows.items()}

    def base_pitch(self, value_cents: float) -> Budget:
        """Base pitch by the fitted curve, cents.

        :param value_cents: as found.
        """
        allowed = self.product.measuring.model_misfit_cents
        return self._budget(
            "base pitch",
            "cents",
            value_cents,
            self._row_of_base(),
            self.scatter.degrees_of_freedom,
            (
                Input(
                    "time base",
                    Distribution.NORMAL,
                    self.stated.time_base_relative / log(2.0),
                    CENTS,
                    source="calibration, ageing, temperature; relative, over ln 2",
                ),
                from_half_width("model misfit", allowed, source="allowance of the product file, cents"),
            ),
        )

    def _row_of_base(self) -> Array:
        """Derivatives of base pitch by each pitch read."""
        law, played = self.product.law.law(), self.product.range
        at = jacobian(self.assessed.parameters, law.octaves(np.array([played.base_cv_v])))[0]
        return np.asarray(CENTS * (at @ self.terms))

    def _row_of_points(self, weights: Array) -> Array:
        """Derivatives of a weighted sum of the points' errors by each pitch read."""
        return np.asarray(CENTS * (weights @ centring(self.assessed.musical) @ self.levels))

    def _of_points(self, quantity: str, unit: str, weights: Array) -> Budget:
        value = float(weights @ self.assessed.error_cents)
        row = self._row_of_points(weights)
        # the residuals that say how large the scatter is hold the points' own errors: the ratio of the two is not
        # Student's t but nearly normal (W. R. Thompson, 1935)
        return self._budget(quantity, unit, value, row, inf, ())

    def _budget(
        self, quantity: str, unit: str, value: float, row: Array, freedom: float, more: tuple[Input, ...]
    ) -> Budget:
        """Budget of what is linear in the readings.

        :param row: (readings,), derivatives of the result by each pitch read, its unit per octave.
        :param freedom: degrees of freedom of the readings' scatter, as this result sees it.
        """
        trigger, resolution, noise = row * self.trigger, row * self.resolution, row * self.noise
        grid = np.asarray(np.bincount(self.settings, weights=row * self.grid), dtype=np.float64)
        inputs = (
            self._own(TRIGGER, trigger, freedom, Distribution.NORMAL, "bench file, both edges"),
            self._own(RESOLUTION, resolution, freedom, Distribution.TRIANGULAR, "bench file, both edges"),
            self._own(NOISE, noise, freedom, Distribution.NORMAL, "product file, or scatter seen"),
            self._own(self.cv_by, grid, freedom, Distribution.RECTANGULAR, "resolution and noise of the CV"),
            *self._cv(row),
            *more,
        )
        return Budget(quantity, value, unit, that_count(inputs), note=DRIFT_NOTE)

    def _own(self, name: str, parts: Array, freedom: float, alone: Distribution, source: str) -> Input:
        """What readings have for themselves: the root sum of squares of their ``parts`` in the result."""
        variances = np.square(parts)
        total = float(np.sum(variances))
        outweighs = total > 0.0 and float(np.max(variances)) > ONE_OUTWEIGHS * total
        return Input(
            name,
            alone if outweighs else Distribution.NORMAL,
            self.scatter.factor * sqrt(total),
            1.0,
            freedom,
            f"{source}; of all readings, times {self.scatter.factor:.2f} for their scatter",
            READINGS,
        )

    def _cv(self, row: Array) -> tuple[Input, ...]:
        """The CV: the meter's gain and offset, common to all points, and the rest of the source's characterisation."""
        by_voltage = row * self.octaves_per_volt
        variance = max(0.0, float(by_voltage @ self.cv_covariance_v2 @ by_voltage))
        rounding = ROUNDING * float(np.sum(np.abs(by_voltage))) ** 2 * float(np.max(np.diag(self.cv_covariance_v2)))
        gain = Input(
            "meter, share of reading",
            Distribution.RECTANGULAR,
            self.stated.meter_gain,
            float(by_voltage @ self.cv_v),
            source="limits of error, common to all points; relative",
        )
        offset = Input(
            "meter, share of range",
            Distribution.RECTANGULAR,
            self.stated.meter_offset_v,
            float(np.sum(by_voltage)),
            source="limits of error, common to all points; V",
        )
        left = variance - gain.contribution**2 - offset.contribution**2
        freedom = self.stated.curve_degrees_of_freedom
        if left < -CONTRADICTION * variance - rounding:
            whole = Input(
                "CV as characterised", Distribution.NORMAL, sqrt(variance), 1.0, freedom, "in the result's unit"
            )
            return (whole,)
        curve = Input(
            "characterisation of the source",
            Distribution.NORMAL,
            sqrt(max(0.0, left)),
            1.0,
            freedom,
            "its fit and what else it holds; in the result's unit",
        )
        return gain, offset, curve


def sweep_budgets(
    assessed: SweepAssessment, points: Sequence[Point], product: Product, stated: Stated, line: CvCorrection
) -> SweepBudgets:
    """Prepare the budgets of a sweep.

    :param points: the sweep's points in the order in which they were taken, as they were assessed.
    :param stated: of the range in which the source was characterised (see :func:`stated_of`).
    """
    law = product.law.law()
    cv_v = np.array([point.cv_v for point in points])
    x = np.asarray(law.octaves(cv_v))
    slope = np.asarray(law.octaves_per_volt(cv_v))
    time_s = np.array([point.elapsed_s for point in points])
    columns = np.asarray(drift_columns(x, time_s - np.mean(time_s), x.min(), x.max()))
    random = np.array([point.relative_standard_uncertainty for point in points]) / log(2.0)
    grid = own_uncertainty_v(line, stated.source_grid_v) * np.abs(slope)
    uncertainty = np.hypot(random, grid)
    index = np.array([point.index for point in points])
    mean = averaging(index, [not point.revisit for point in points], random)
    trigger, resolution = _counter_parts(points, stated)
    known = np.hypot(trigger, resolution)
    share = np.minimum(1.0, np.divide(random, known, out=np.ones_like(random), where=known > 0.0))
    programmed_v = np.array([point.cv_programmed_v for point in points])
    return SweepBudgets(
        assessed=assessed,
        product=product,
        stated=stated,
        levels=mean @ level_sensitivities(assessed.fit, x, columns, uncertainty),
        terms=fit_sensitivities(assessed.fit, x, columns, uncertainty)[:TERMS],
        trigger=trigger * share,
        resolution=resolution * share,
        noise=np.sqrt(np.maximum(0.0, random**2 - known**2)),
        grid=grid,
        settings=index,
        scatter=pooled_scatter(assessed.fit),
        octaves_per_volt=slope,
        cv_v=cv_v,
        cv_covariance_v2=line.covariance_at(programmed_v),
        cv_by="each reading of the CV" if isinstance(line, MeasuredCv) else "source grid",
    )


def expanded_of_points(assessed: SweepAssessment, product: Product, stated: Stated, line: CvCorrection) -> Array:
    """Expanded uncertainty (95 %) of the error of each point by its own budget, cents, (points,)."""
    budgets = sweep_budgets(assessed, assessed.points, product, stated, line)
    return np.array([budgets.point(index).expanded(PROBABILITY) for index in range(assessed.x.size)])


def _counter_parts(points: Sequence[Point], stated: Stated) -> tuple[Array, Array]:
    """Standard uncertainty of each averaged reading by trigger and by resolution, octaves."""
    periods = [max(1, ceil(each.gate_s * each.frequency_hz - 1e-9)) for each in points]
    timed_s = np.array([count / each.frequency_hz for count, each in zip(periods, points, strict=True)])
    root = np.sqrt([each.readings_count for each in points])
    trigger = sqrt(2.0) * stated.trigger_jitter_s / timed_s / root / log(2.0)
    return trigger, stated.resolution_s / SQRT6 / timed_s / root / log(2.0)


def that_count(inputs: tuple[Input, ...]) -> tuple[Input, ...]:
    """Inputs that contribute more than rounding does."""
    largest = max(abs(each.contribution) for each in inputs)
    return tuple(each for each in inputs if abs(each.contribution) > NOTHING * largest) or inputs[:1]
