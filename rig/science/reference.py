"""The reference unit: what is measured of it now against its own history on the same bench.

Two questions, asked of each characteristic. Does the new value agree with the history within the uncertainties that
are claimed (normalised error, ISO 13528:2022 and ISO/IEC 17043)? And within the scatter that the history itself shows
(a control chart)? The first finds a bench that is wrong, the second one that has moved.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

from rig.science.control_chart import ENOUGH_POINTS, Chart, ChartPair, individuals_chart, signals

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from rig.science.control_chart import Signal

    Array = NDArray[np.float64]

WINSOR = 1.5
WINSOR_SCALE = 1.134
"""Makes the winsorised standard deviation that of a normal distribution (ISO 13528, algorithm A)."""
MEDIAN_SCALE = 1.483
"""Makes the median absolute deviation the standard deviation of a normal distribution (ISO 13528)."""
ROBUST_MEAN_SCALE = 1.25
"""A robust mean is less certain than a plain one by about so much (ISO 13528)."""
ENOUGH_ITERATIONS = 100
COVERAGE = 2.0


class Standing(StrEnum):
    """Where a bench stands against its own history."""

    NO_HISTORY = "no history yet"
    STEADY = "as ever"
    WATCH = "watch it"
    MOVED = "it has moved"


@dataclass(frozen=True, slots=True)
class History:
    """What a characteristic has been, robustly: value, standard deviation of one check, uncertainty of the value."""

    value: float
    standard_deviation: float
    standard_uncertainty: float
    count: int


def robust_history(values: ArrayLike) -> History:
    """Robust mean and standard deviation by algorithm A (ISO 13528, annex C; P. J. Huber's winsorising).

    One check in ten that went wrong hardly moves them. The uncertainty of the mean is 1.25 s / sqrt(n).

    :param values: (n,).
    :raises ValueError: there is no value, or one is not finite.
    """
    checked = np.asarray(values, dtype=np.float64)
    if checked.ndim != 1 or checked.size == 0 or not np.isfinite(checked).all():
        raise ValueError("a history needs one value at least, all finite")
    mean = float(np.median(checked))
    spread = MEDIAN_SCALE * float(np.median(np.abs(checked - mean)))
    if spread == 0.0:
        spread = float(np.std(checked, ddof=1)) if checked.size > 1 else 0.0
    for _ in range(ENOUGH_ITERATIONS):
        if spread == 0.0:
            break
        kept = np.clip(checked, mean - WINSOR * spread, mean + WINSOR * spread)
        before = mean, spread
        mean, spread = float(np.mean(kept)), WINSOR_SCALE * float(np.std(kept, ddof=1))
        if abs(mean - before[0]) + abs(spread - before[1]) < 1e-9 * before[1]:
            break
    return History(mean, spread, ROBUST_MEAN_SCALE * spread / checked.size**0.5, checked.size)


def normalised_error(
    value: float, expanded_uncertainty: float, reference: float, reference_expanded_uncertainty: float
) -> float:
    """E_n: difference over the root of the sum of squares of both expanded uncertainties (ISO 13528, ISO/IEC 17043).

    Its size is at most 1 where the two agree. What both share (the same meter, the same time base) cancels in the
    difference and still stands in the denominator, so that it errs towards agreement: hence the chart beside it.

    :raises ValueError: an uncertainty is negative, both are zero, or a number is not finite.
    """
    numbers = np.array([value, expanded_uncertainty, reference, reference_expanded_uncertainty])
    if not np.isfinite(numbers).all() or expanded_uncertainty < 0.0 or reference_expanded_uncertainty < 0.0:
        raise ValueError("a normalised error needs finite values and uncertainties that are not negative")
    width = float(np.hypot(expanded_uncertainty, reference_expanded_uncertainty))
    if width == 0.0:
        raise ValueError("two values without any uncertainty have no normalised error")
    return (value - reference) / width


@dataclass(frozen=True, slots=True)
class Measured:
    """One characteristic of the reference unit, as measured now."""

    characteristic: str
    label: str
    value: float
    unit: str
    expanded_uncertainty: float


@dataclass(frozen=True, slots=True)
class Check:
    """One characteristic against its history. ``chart`` is missing while the history is short."""

    measured: Measured
    history: History | None
    normalised_error: float | None
    chart: ChartPair | None
    signals: tuple[Signal, ...]
    standing: Standing

    @property
    def sentence(self) -> str:
        """How it stands."""
        now = self.measured
        if self.history is None or self.normalised_error is None:
            return f"{now.label}: {now.value:.4g} {now.unit}, the first of its history."
        moved = now.value - self.history.value
        text = (
            f"{now.label}: {now.value:.4g} {now.unit}, {moved:+.2g} from its history of {self.history.count} checks "
            f"(E_n {self.normalised_error:+.2f})"
        )
        if self.standing is Standing.STEADY:
            return f"{text}."
        why = [f"the normalised error is {abs(self.normalised_error):.2f}, above 1"] if self.disagrees else []
        why += [signal.sentence for signal in self.signals]
        return f"{text}: {'; '.join(why)}."

    @property
    def disagrees(self) -> bool:
        """Whether value and history differ by more than their uncertainties allow."""
        return self.normalised_error is not None and abs(self.normalised_error) > 1.0


def against_history(measured: Measured, earlier: ArrayLike) -> Check:
    """Hold one characteristic against what it was in earlier checks.

    The bench has moved when the normalised error is above 1 or the value lies beyond a limit of the chart whose
    centre and limits are those of the history. Other patterns that end with this value say: watch it.

    :param earlier: (n,), values of earlier checks, oldest first; those that were found to have moved left out.
    :raises ValueError: a value or an uncertainty is no number.
    """
    past = np.asarray(earlier, dtype=np.float64)
    if past.size == 0:
        return Check(measured, None, None, None, (), Standing.NO_HISTORY)
    history = robust_history(past)
    # a single earlier check is as uncertain as the present one
    own = COVERAGE * history.standard_uncertainty if past.size > 1 else measured.expanded_uncertainty
    error = normalised_error(measured.value, measured.expanded_uncertainty, history.value, own)
    chart: ChartPair | None = None
    seen: tuple[Signal, ...] = ()
    if past.size >= ENOUGH_POINTS:
        chart = _chart(np.append(past, measured.value), individuals_chart(past))
        seen = tuple(each for each in signals(chart.location) if each.index == past.size)
    if abs(error) > 1.0 or any(each.beyond_limits for each in seen):
        standing = Standing.MOVED
    else:
        standing = Standing.WATCH if seen else Standing.STEADY
    return Check(measured, history, error, chart, seen, standing)


def _chart(points: Array, limits: ChartPair) -> ChartPair:
    """All points, the new one too, on a chart whose limits the new one had no say in."""
    location, spread = limits.location, limits.spread
    return ChartPair(
        Chart(points, location.centre, location.lower, location.upper),
        Chart(np.abs(np.diff(points)), spread.centre, spread.lower, spread.upper),
    )


def worst_standing(checks: tuple[Check, ...]) -> Standing:
    """Standing of the bench: the worst of its characteristics."""
    order = (Standing.MOVED, Standing.WATCH, Standing.NO_HISTORY, Standing.STEADY)
    return min((each.standing for each in checks), key=order.index, default=Standing.NO_HISTORY)
