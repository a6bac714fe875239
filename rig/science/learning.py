"""What a batch teaches of its trims, and what that says of the next unit; one bad unit spoils nothing.

Three levels: the product file expects something of the batches, a batch has a mean, its units scatter about it.

    unit's own value   theta_i ~ N(mu, sigma^2)        mu: mean of the batch, sigma: spread of its units
    observation        v_i ~ N(theta_i, u_i^2)         so that v_i ~ N(mu, w_i) with w_i = sigma^2 + u_i^2
    mean of the batch  mu ~ N(m, s^2)                  from the product file and the batches before

With normal observations the answer is a closed form (A. Gelman et al., Bayesian Data Analysis, 3rd ed., 2.5
and 5.4). Here a share of the units counts as *bad*: what they show has nothing to do with the
batch and may be anything (a Cauchy density about m, of scale g^2 = s^2 + sigma^2 + u_i^2). Each observation then has
the bounded likelihood

    L_i(mu) = (1 - share) N(v_i; mu, w_i) + share C(v_i; m, g)

and is left out by itself, the more surely the farther it lies from what the others say. The posterior of mu is taken
by quadrature: nothing depends on the order of the observations or on a starting value. What is handed on is the normal
with its median and its middle 80 %, so that the small chance that all units so far were bad stays a matter of the
tails and does not widen the whole.

The largest harm of one observation: on a normal belief N(m, s^2) the good part of the posterior has its centre at
s r s/(s^2 + w)^(1/2), r the distance of the observation in predictive deviations, and the median goes there only
while that part weighs more than the bad one, which ends at r = 3.4. So no observation, however far, moves a normal
belief by more than 3.4 s (LARGEST_SHIFT); one at 1e6 deviations moves it by nothing. Beside n good units the harm
falls as 1/n.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, inf, isfinite, log, pi, sqrt
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtri

from rig.science.tracking import CORE, DEAD_TIME, SLOPE
from rig.science.trims import DeadTimeTaken, Pivot, Shift, learn_pivot

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    from rig.science.trims import Effect

    Array = NDArray[np.float64]

BAD_SHARE = 0.05
"""Share of units that are counted on to be bad."""
LARGEST_SHIFT = 3.4
"""The most that one observation moves a normal belief, in its own standard uncertainties."""
HAND_RELATIVE = 0.15
"""Doubt in the turns that a hand reports: a seventh of them ..."""
HAND_TURNS = 0.05
"""... and a twentieth of a turn (both common practice with a multi-turn trimmer and a screwdriver)."""
TELLING = 3.0
"""Standard uncertainties that a move must exceed before anything is learned from it."""
FEW_BATCHES = 8
"""Below this many batches a new one is never taken to be surer than the product file says."""

_SPREAD_RATIOS = 2.0 ** np.arange(-1.0, 3.01, 0.5)
"""Spreads that are tried, as ratios of the one that is given: from half of it to eight times as much."""
_SPREAD_DOUBT = 0.6
"""Doubt in a given spread: standard deviation of its natural logarithm."""
_CENTRES = 24
"""Observations, evenly through their order, about which the quadrature has its nodes."""
_TAIL = 1e-6
_MIDDLE_DEVIATE = float(ndtri(0.9))
"""Half of the middle 80 % of a normal, in standard deviations."""
_FARTHEST = 1e6
"""An observation farther off than this many scales of a bad unit says no more than one that far off."""


@dataclass(frozen=True, slots=True)
class Belief:
    """What is held of a quantity: normal, with mean and standard uncertainty.

    :raises ValueError: the mean is not finite, or the uncertainty not positive and finite.
    """

    mean: float
    standard_uncertainty: float

    def __post_init__(self) -> None:
        if not isfinite(self.mean):
            raise ValueError(f"the mean of a belief must be finite, not {self.mean}")
        if not (isfinite(self.standard_uncertainty) and self.standard_uncertainty > 0.0):
            raise ValueError(
                f"the standard uncertainty of a belief must be positive and finite, not {self.standard_uncertainty}"
            )


@dataclass(frozen=True, slots=True)
class TrimKnowledge:
    """What is known of one trim of the unit that is next.

    ``gain`` is the effect of one clockwise turn in the trim's own amount (relative, octaves or seconds); ``pivot``,
    octaves re 1 Hz, is there for a scale trim at the common node.
    """

    gain: Belief
    pivot: Belief | None


@dataclass(frozen=True, slots=True)
class Expectation:
    """What is expected of a batch before it is seen: its mean, and how its units scatter about it."""

    mean: Belief
    unit_spread: float

    @property
    def unit(self) -> Belief:
        """Expected of a unit of that batch."""
        return next_unit(self.mean, self.unit_spread)


@dataclass(frozen=True, slots=True)
class Batch:
    """What a batch has taught of one quantity.

    ``good`` is, observation by observation in the order given, the probability that the unit is one of the batch
    and not a bad one.
    """

    mean: Belief
    unit_spread: float
    good: tuple[float, ...]

    @property
    def next_unit(self) -> Belief:
        """Expected of the next unit."""
        return next_unit(self.mean, self.unit_spread)


def expectation(whole: Belief, unit_spread: float | None = None) -> Expectation:
    """Split what a product file says of any unit into the batch's mean and the spread of units inside a batch.

    With no observation the next unit is expected to be just what the file says.

    :param unit_spread: spread of units inside a batch; None, or one too large for the whole, for an even split.
    """
    even = whole.standard_uncertainty / sqrt(2.0)
    inside = even if unit_spread is None else min(_positive(unit_spread, "the spread of units"), even)
    between = sqrt(whole.standard_uncertainty**2 - inside**2)
    return Expectation(Belief(whole.mean, between), inside)


def next_unit(mean: Belief, unit_spread: float) -> Belief:
    """Expected of the next unit: the doubt in the batch's mean and the spread of its units together."""
    return Belief(mean.mean, hypot(mean.standard_uncertainty, _positive(unit_spread, "the spread of units")))


def combine(first: Belief, second: Belief) -> Belief:
    """Two independent beliefs of one quantity in one, weighted by inverse variance (conjugate normal)."""
    first_weight, second_weight = first.standard_uncertainty**-2, second.standard_uncertainty**-2
    total = first_weight + second_weight
    share = second_weight / total
    return Belief(first.mean + share * (second.mean - first.mean), float(total**-0.5))


def taken_from(posterior: Belief, prior: Belief) -> Belief | None:
    """What was said beside the prior: the inverse of :func:`combine`; None where nothing was learned."""
    weight = posterior.standard_uncertainty**-2 - prior.standard_uncertainty**-2
    if weight <= 1e-6 * prior.standard_uncertainty**-2:
        return None
    moved = posterior.standard_uncertainty**-2 / weight
    return Belief(prior.mean + moved * (posterior.mean - prior.mean), float(weight**-0.5))


def learn_batch(expected: Expectation, values: ArrayLike, uncertainties: ArrayLike) -> Batch:
    """Mean of the batch and spread of its units together, and the next unit that follows.

    The spread is given only roughly (log-normal, median a little below so that its mean square is the given one):
    a batch that scatters more widens it, up to eight times; one that scatters less narrows it, at most to half. One
    bad unit moves both by little or nothing.

    :param values: what was observed, one of each unit, shape (n,), n from 0.
    :param uncertainties: standard uncertainties of the observations, shape (n,), 0 allowed.
    :raises ValueError: shapes differ, a number is not finite, an uncertainty negative, the spread not positive.
    """
    observed, doubt = _checked(values, uncertainties)
    if not observed.size:
        return Batch(expected.mean, expected.unit_spread, ())
    log_weights = -0.5 * (np.log(_SPREAD_RATIOS) / _SPREAD_DOUBT + _SPREAD_DOUBT) ** 2
    found = _posterior(expected, _SPREAD_RATIOS, log_weights, observed, doubt)
    return Batch(found.mean, found.spread, found.good)


def next_batch(by_file: Belief, batches: Sequence[Belief]) -> Belief:
    """Mean of a batch that nobody has seen yet, from the product file and the means of batches before.

    The batches are to the product what units are to a batch, and the same model serves. Batches may differ by much
    more than their units: until eight are known, a new one is never taken to be surer than the product file says.

    :param by_file: what the product file says of the mean of any batch.
    :param batches: what each batch says by itself, without the file (see :func:`taken_from`).
    """
    if not batches:
        return by_file
    product = learn_batch(
        expectation(by_file),
        [each.mean for each in batches],
        [each.standard_uncertainty for each in batches],
    )
    new = product.next_unit
    if len(batches) < FEW_BATCHES:
        return Belief(new.mean, max(new.standard_uncertainty, by_file.standard_uncertainty))
    return new


def amount_moved(
    effect: Effect, before: Array, before_covariance: Array, after: Array, after_covariance: Array
) -> Belief:
    """Amount of one move, from the tracking before and after it: slope for scale, core pitch for base, dead time.

    Independent of the pivot. Uncertainty by propagation from both fits (JCGM 100, eq. 10).

    :param before: tracking parameters, shape (4,), covariance (4, 4); likewise ``after``.
    """
    if isinstance(effect, DeadTimeTaken):
        index, amount, by_before, by_after = DEAD_TIME, before[DEAD_TIME] - after[DEAD_TIME], 1.0, 1.0
    elif isinstance(effect, Shift):
        index, amount, by_before, by_after = CORE, after[CORE] - before[CORE], 1.0, 1.0
    else:
        index, amount = SLOPE, after[SLOPE] / before[SLOPE] - 1.0
        by_before, by_after = after[SLOPE] / before[SLOPE] ** 2, 1.0 / before[SLOPE]
    variance = by_before**2 * before_covariance[index, index] + by_after**2 * after_covariance[index, index]
    return Belief(float(amount), float(np.sqrt(variance)))


def gain_observation(
    amount: Belief,
    turns: float | None,
    *,
    hand_relative: float = HAND_RELATIVE,
    hand_turns: float = HAND_TURNS,
) -> Belief | None:
    """Effect of one clockwise turn, from the amount seen and the turns that were reported.

    None where nothing can be told: no turns reported, too small a turn for a hand to count, or an amount that does
    not stand out from its own doubt (an end stop is not a small gain).

    :param turns: clockwise positive.
    """
    if turns is None or not isfinite(turns):
        return None
    counted = hypot(hand_relative * turns, hand_turns)
    if abs(turns) < TELLING * hand_turns or abs(amount.mean) < TELLING * amount.standard_uncertainty:
        return None
    gain = amount.mean / turns
    return Belief(gain, hypot(amount.standard_uncertainty, gain * counted) / abs(turns))


def pivot_observation(before: Array, before_covariance: Array, after: Array, after_covariance: Array) -> Belief | None:
    """Pivot as one move of a scale trim shows it, without any prior; None where the move was too small to tell.

    Parameters as of :func:`rig.science.trims.learn_pivot`.
    """
    seen = learn_pivot(before, before_covariance, after, after_covariance, Pivot(0.0, inf))
    return Belief(seen.octaves, seen.standard_uncertainty) if isfinite(seen.standard_uncertainty) else None


@dataclass(frozen=True, slots=True)
class _Posterior:
    mean: Belief
    spread: float
    good: tuple[float, ...]


def _posterior(
    expected: Expectation, spread_ratios: Array, log_weights: Array, values: Array, doubts: Array
) -> _Posterior:
    """Posterior of mu by trapezoids, of the spread by a sum over those tried."""
    prior, spreads = expected.mean, expected.unit_spread * spread_ratios
    scales = np.hypot(expected.unit.standard_uncertainty, doubts)
    values = np.clip(values, prior.mean - _FARTHEST * scales, prior.mean + _FARTHEST * scales)
    order = np.lexsort((doubts, values))
    values, doubts, scales = values[order], doubts[order], scales[order]

    nodes = _nodes(prior, float(np.min(spreads)), values, doubts)
    log_bad = log(BAD_SHARE) - np.log(pi * scales * (1.0 + ((values - prior.mean) / scales) ** 2))
    log_prior = -0.5 * ((nodes - prior.mean) / prior.standard_uncertainty) ** 2
    log_posterior = np.empty((spreads.size, nodes.size))
    good = np.empty((spreads.size, nodes.size, values.size))
    for place, spread in enumerate(spreads):
        variance = spread**2 + doubts**2
        log_good = (
            log(1.0 - BAD_SHARE) - 0.5 * np.log(2.0 * pi * variance) - 0.5 * (nodes[:, None] - values) ** 2 / variance
        )
        log_either = np.logaddexp(log_good, log_bad)
        good[place] = np.exp(log_good - log_either)
        log_posterior[place] = log_prior + log_weights[place] + np.sum(log_either, axis=-1)

    density = np.exp(log_posterior - np.max(log_posterior))
    weights = density * np.gradient(nodes)
    weights /= np.sum(weights)
    probability = np.empty(values.size)
    probability[order] = np.einsum("km,kmn->n", weights, good)
    return _Posterior(
        _normal_of(nodes, np.sum(density, axis=0)),
        sqrt(float(np.sum(np.sum(weights, axis=-1) * spreads**2))),
        tuple(float(each) for each in probability),
    )


def _nodes(prior: Belief, spread: float, values: Array, doubts: Array) -> Array:
    """Places at which the posterior is taken: close together about prior and observations, wider apart far out."""
    steps = 40.0 * np.sinh(np.linspace(-4.0, 4.0, 41)) / np.sinh(4.0)
    thinned = np.unique(np.linspace(0, values.size - 1, min(values.size, _CENTRES)).round().astype(np.intp))
    centres = np.append(values[thinned], prior.mean)
    narrowest = hypot(spread, float(np.min(doubts))) if values.size else prior.standard_uncertainty
    widths = np.append(np.full(thinned.size, narrowest), prior.standard_uncertainty)
    nearest = 1e-3 * float(np.min(widths))
    offsets = np.unique(np.round((centres[:, None] - prior.mean + widths[:, None] * steps) / nearest))
    return np.asarray(prior.mean + nearest * offsets)


def _normal_of(nodes: Array, density: Array) -> Belief:
    """The normal with the median and the middle 80 % of a density."""
    slope, steps = np.gradient(density, nodes), np.diff(nodes)
    # trapezoids with their end correction (Euler and Maclaurin): the error is of the fourth order in the step
    areas = steps * (density[1:] + density[:-1]) / 2.0 - steps**2 * np.diff(slope) / 12.0
    below = np.append(0.0, np.cumsum(np.maximum(areas, 0.0)))
    below /= below[-1]
    inner = (below > _TAIL) & (below < 1.0 - _TAIL)
    # in normal deviates, where a normal is a straight line, interpolation is exact for it
    deviates, places = ndtri(below[inner]), nodes[inner]
    low, middle, high = np.interp([-_MIDDLE_DEVIATE, 0.0, _MIDDLE_DEVIATE], deviates, places)
    return Belief(float(middle), float((high - low) / (2.0 * _MIDDLE_DEVIATE)))


def _checked(values: ArrayLike, uncertainties: ArrayLike) -> tuple[Array, Array]:
    observed, doubts = np.asarray(values, dtype=np.float64), np.asarray(uncertainties, dtype=np.float64)
    if observed.ndim != 1 or observed.shape != doubts.shape:
        raise ValueError(
            f"each observation needs one uncertainty: {observed.shape} values, {doubts.shape} uncertainties"
        )
    if not (np.all(np.isfinite(observed)) and np.all(np.isfinite(doubts)) and np.all(doubts >= 0.0)):
        raise ValueError("observations must be finite and their uncertainties finite and not negative")
    return observed, doubts


def _positive(spread: float, what: str) -> float:
    if not (isfinite(spread) and spread > 0.0):
        raise ValueError(f"{what} must be positive and finite, not {spread}")
    return spread
