"""Which trim was turned? The shape of what changed, against the shape that each trim would leave.

A trim moves the tracking along a curve of its own, one amount long (see :mod:`rig.science.trims`); a scale trim
whose pivot is not known well moves it inside a fan. What changed is held against each of them, against nothing at
all, and against a change of any kind, each weighed by the probability that it gives to what was seen, with its
amount (and its pivot) integrated out over what it could be (JCGM 101, 6.4; the marginal likelihood of Bayes).

A trim that does not show in a sweep at rest, such as the rail or the knob's centre, cannot be told from nothing
there; the rail shows once its own readings are given beside the sweep.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import chdtrc, logsumexp

from rig.science.tracking import CORE, PARAMETERS

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import ArrayLike, NDArray

    from rig.science.trims import Effect

    Array = NDArray[np.float64]

PRIOR_ASKED = 0.85
PRIOR_ANOTHER = 0.08
PRIOR_NOTHING = 0.05
PRIOR_NO_TRIM = 0.02
"""Before anything is seen, people mostly turn what they are asked to: nobody is accused without evidence."""
ANY_CHANGE = (0.25, 0.02, 0.3, 3.0e-6)
"""Standard deviations of a change that no trim explains: octaves, relative slope, Hz of leakage, s of dead time."""
ANY_RAIL_CHANGE = 0.02
SMALLEST_SHARE, LARGEST_SHARE, STEPS = 1e-7, 6.0, 200
"""Amounts that are tried first, in shares of the candidate's spread, on a scale of equal ratios."""
ZOOMS, ZOOM_POINTS, LOCAL_POINTS, LOCAL_REACH = 6, 41, 241, 9.0
LEVEL = 1e-3
"""A peak whose neighbours differ by less, in log likelihood, is looked at closely enough."""


class Shape(StrEnum):
    """What the change looks like."""

    ASKED = "the trim asked for"
    ANOTHER = "another trim"
    NOTHING = "nothing moved"
    NO_TRIM = "no trim of this unit"


@dataclass(frozen=True, slots=True)
class Candidate:
    """A trim that may have been turned.

    :param effect: what it does to the tracking of the unit at rest; None where it does nothing there.
    :param spread: standard deviation of the amount by which it may have been turned, either way.
    :param pivot_standard_uncertainty: octaves, for a scale trim about a pivot.
    :param rail_per_amount: relative change of the rail with one unit of amount.
    """

    name: str
    effect: Effect | None
    spread: float
    pivot_standard_uncertainty: float = 0.0
    rail_per_amount: float = 0.0

    def __post_init__(self) -> None:
        if not (np.isfinite(self.spread) and self.spread > 0.0):
            raise ValueError(f"the spread of {self.name} must be above 0 and finite, not {self.spread}")


@dataclass(frozen=True, slots=True)
class RailChange:
    """Relative change of the rail between the two looks, with its standard uncertainty."""

    relative: float
    standard_uncertainty: float


@dataclass(frozen=True, slots=True)
class Likelihood:
    """How well one trim explains the change.

    ``distance`` is the Mahalanobis distance from the change to the nearest one that this trim could have made;
    ``plausibility`` the probability of a larger one if this trim, and nothing else, was turned.
    """

    name: str
    probability: float
    distance: float
    plausibility: float
    amount: float
    amount_standard_uncertainty: float


@dataclass(frozen=True, slots=True)
class Sighted:
    """What was turned, as far as the change tells.

    ``trim`` names the trim of the verdict, if there is one; ``probability`` is that of the verdict. ``ranked``
    holds the trims that would have shown, most likely first; ``hidden`` those that would not have shown at all,
    so that nothing moved does not clear them.
    """

    shape: Shape
    trim: str | None
    probability: float
    ranked: tuple[Likelihood, ...]
    nothing_probability: float
    no_trim_probability: float
    hidden: tuple[str, ...]

    @property
    def said(self) -> str:
        """The verdict in words, with the trim's name where it is another."""
        named = f"{self.shape.value}: {self.trim}" if self.shape is Shape.ANOTHER else self.shape.value
        sure = "over 99" if self.probability > 0.99 else f"{100.0 * self.probability:.0f}"
        return f"{named} ({sure} % sure)"


@dataclass(frozen=True, slots=True)
class _Look:
    """A change of the tracking that was seen, with that of the rail behind it where it was read."""

    before: Array
    change: Array
    covariance: Array
    rail: RailChange | None

    def left_by(self, candidate: Candidate, amounts: Array) -> Array:
        """Change that the candidate would leave, shape (m, n)."""
        parameters = np.broadcast_to(self.before, (amounts.size, len(PARAMETERS))).copy()
        moved = parameters if candidate.effect is None else candidate.effect.moved(parameters, amounts)
        return self._with_rail(moved - self.before, candidate.rail_per_amount * amounts)

    def fan(self, candidate: Candidate) -> Array:
        """Change with one standard uncertainty of the pivot for each unit of amount, shape (n,)."""
        change = np.zeros(self.change.size)
        change[CORE] = -candidate.pivot_standard_uncertainty
        return change

    def _with_rail(self, change: Array, rail: Array) -> Array:
        return change if self.rail is None else np.concatenate([change, rail[:, None]], axis=1)


@dataclass(frozen=True, slots=True)
class _Weighed:
    """Evidence for a candidate (natural logarithm), and what it would be."""

    evidence: float
    distance: float
    amount: float
    amount_standard_uncertainty: float


def which_trim(
    before: ArrayLike,
    before_covariance: ArrayLike,
    after: ArrayLike,
    after_covariance: ArrayLike,
    candidates: Sequence[Candidate],
    expected: str,
    *,
    rail: RailChange | None = None,
) -> Sighted:
    """Which trim was turned between two fits of the tracking.

    :param before: tracking parameters, shape (4,), with covariance (4, 4); likewise ``after``. What else may have
        moved in between (a hand's warmth, the room) belongs into a covariance. The fit after the move must not
        lean on what was known before it in a term that a candidate moves, or the wrong trim is hidden by it.
    :param expected: name of the trim that was to be turned.
    :param rail: what the rail did, where it was read.
    :raises ValueError: shapes or names do not go together, or a covariance is not one.
    """
    parameters = _finite(before, (len(PARAMETERS),), "tracking before")
    change = _finite(after, (len(PARAMETERS),), "tracking after") - parameters
    square = (len(PARAMETERS), len(PARAMETERS))
    covariance = _finite(before_covariance, square, "covariance before") + _finite(
        after_covariance, square, "covariance after"
    )
    return _judged(_look(parameters, change, covariance, rail), candidates, expected)


def _look(before: Array, change: Array, covariance: Array, rail: RailChange | None) -> _Look:
    if rail is not None:
        change = np.append(change, rail.relative)
        covariance = _bordered(covariance, rail.standard_uncertainty**2)
    return _Look(before, change, covariance, rail)


def _bordered(matrix: Array, corner: float) -> Array:
    size = matrix.shape[0]
    whole = np.zeros((size + 1, size + 1))
    whole[:size, :size] = matrix
    whole[size, size] = corner
    return whole


def _judged(look: _Look, candidates: Sequence[Candidate], expected: str) -> Sighted:
    _require_names(candidates, expected)
    any_change = np.diag(np.square(ANY_CHANGE))
    if look.rail is not None:
        any_change = _bordered(any_change, ANY_RAIL_CHANGE**2)
    whitening = _whitening(look.covariance)
    seen = whitening @ look.change
    visible = [each for each in candidates if _shows(each, look)]
    weighed = [_weigh(each, look, whitening, seen) for each in visible]
    evidence = np.array(
        [
            *(each.evidence for each in weighed),
            -0.5 * float(seen @ seen),
            _evidence_of_any(whitening @ any_change @ whitening.T, seen),
        ]
    )
    prior = np.array([*_priors(visible, expected), PRIOR_NOTHING, PRIOR_NO_TRIM])
    if expected not in {each.name for each in visible}:
        prior[-2] += PRIOR_ASKED
    log_posterior = np.log(prior) + evidence
    posterior = np.exp(log_posterior - logsumexp(log_posterior))
    ranked = [
        Likelihood(
            name=candidate.name,
            probability=float(probability),
            distance=each.distance,
            plausibility=float(chdtrc(seen.size - 1, each.distance**2)),
            amount=each.amount,
            amount_standard_uncertainty=each.amount_standard_uncertainty,
        )
        for candidate, each, probability in zip(visible, weighed, posterior[:-2], strict=True)
    ]
    ranked.sort(key=lambda each: -each.probability)
    hidden = tuple(each.name for each in candidates if not _shows(each, look))
    return _verdict(tuple(ranked), float(posterior[-2]), float(posterior[-1]), expected, hidden)


def _verdict(
    ranked: tuple[Likelihood, ...], nothing: float, no_trim: float, expected: str, hidden: tuple[str, ...]
) -> Sighted:
    best = ranked[0].probability if ranked else 0.0
    if nothing >= max(best, no_trim):
        return Sighted(Shape.NOTHING, None, nothing, ranked, nothing, no_trim, hidden)
    if no_trim > best:
        return Sighted(Shape.NO_TRIM, None, no_trim, ranked, nothing, no_trim, hidden)
    name = ranked[0].name
    shape = Shape.ASKED if name == expected else Shape.ANOTHER
    return Sighted(shape, name, best, ranked, nothing, no_trim, hidden)


def _shows(candidate: Candidate, look: _Look) -> bool:
    return candidate.effect is not None or (look.rail is not None and candidate.rail_per_amount != 0.0)


def _priors(visible: Sequence[Candidate], expected: str) -> list[float]:
    others = sum(each.name != expected for each in visible)
    return [PRIOR_ASKED if each.name == expected else PRIOR_ANOTHER / others for each in visible]


def _weigh(candidate: Candidate, look: _Look, whitening: Array, seen: Array) -> _Weighed:
    """Integrate over the amount: a coarse scale of ratios, and a fine one about the best."""

    def fit(amounts: Array) -> tuple[Array, Array]:
        """Squared distance and log likelihood (but for what all candidates share) at each amount."""
        away = seen - look.left_by(candidate, amounts) @ whitening.T
        # a fan adds one direction to the covariance: determinant and inverse by a rank-one update
        wider = 1.0 + fan_squared * amounts**2
        squared = np.einsum("ij,ij->i", away, away) - (amounts * (away @ fan)) ** 2 / wider
        squared[~np.isfinite(squared)] = np.inf
        return squared, -0.5 * (squared + np.log(wider))

    def likelihood(amounts: Array) -> Array:
        return fit(amounts)[1]

    fan = whitening @ look.fan(candidate)
    fan_squared = float(fan @ fan)
    ratios = candidate.spread * np.geomspace(SMALLEST_SHARE, LARGEST_SHARE, STEPS)
    coarse = np.concatenate([-ratios[::-1], [0.0], ratios])
    best, reach = _peak(likelihood, coarse)
    amounts = np.union1d(coarse, best + reach * np.linspace(-1.0, 1.0, LOCAL_POINTS))
    squared, fitted = fit(amounts)
    log_density = fitted - 0.5 * (amounts / candidate.spread) ** 2 - np.log(candidate.spread * np.sqrt(2.0 * np.pi))
    steps = np.diff(amounts, prepend=amounts[0], append=amounts[-1])
    with np.errstate(divide="ignore"):
        log_weight = log_density + np.log(0.5 * (steps[:-1] + steps[1:]))
    evidence = float(logsumexp(log_weight))
    weight = np.exp(log_weight - evidence)
    mean = float(weight @ amounts)
    deviation = float(np.sqrt(weight @ (amounts - mean) ** 2))
    return _Weighed(evidence, float(np.sqrt(max(squared[np.argmax(fitted)], 0.0))), mean, deviation)


def _peak(likelihood: Callable[[Array], Array], coarse: Array) -> tuple[float, float]:
    """Amount of the highest likelihood, and how far about it the likelihood has to be looked at closely."""
    amounts, values = coarse, likelihood(coarse)
    for _ in range(ZOOMS):
        place = int(np.clip(np.argmax(values), 1, amounts.size - 2))
        around = values[place - 1 : place + 2]
        if around.max() - around.min() < LEVEL:
            break
        amounts = np.linspace(amounts[place - 1], amounts[place + 1], ZOOM_POINTS)
        values = likelihood(amounts)
    best = float(amounts[np.argmax(values)])
    # where it has fallen by a half of a unit of log likelihood is one standard deviation away, to either side
    ratios = coarse[coarse > 0.0]
    above, below = np.split(likelihood(np.concatenate([best + ratios, best - ratios])), 2)
    fallen = np.minimum(above, below) < values.max() - 0.5
    reach = float(ratios[np.argmax(fallen)]) if fallen.any() else float(ratios[-1])
    return best, LOCAL_REACH * reach


def _evidence_of_any(spread: Array, seen: Array) -> float:
    """Log likelihood of a change of any kind: a normal one of that covariance on top of the noise."""
    whole = np.eye(seen.size) + spread
    _, log_determinant = np.linalg.slogdet(whole)
    return -0.5 * float(log_determinant + seen @ np.linalg.solve(whole, seen))


def _whitening(covariance: Array) -> Array:
    """Matrix that turns a change into standard normal ones, shape (n, n)."""
    deviations = np.sqrt(np.diagonal(covariance))
    problem = "the covariance of the change is not positive definite: check the variances"
    if not np.all(deviations > 0.0):
        raise ValueError(problem)
    correlation = covariance / np.outer(deviations, deviations)
    lowest = float(np.min(np.linalg.eigvalsh(correlation)))
    if not (np.allclose(correlation, correlation.T, atol=1e-6) and lowest > 0.0):
        raise ValueError(problem)
    return np.asarray(np.linalg.inv(np.linalg.cholesky(correlation)) / deviations)


def _require_names(candidates: Sequence[Candidate], expected: str) -> None:
    names = [each.name for each in candidates]
    if len(names) != len(set(names)):
        raise ValueError("two candidates have the same name")
    if expected not in names:
        raise ValueError(f"{expected} is not one of the candidates ({', '.join(names) or 'there are none'})")


def _finite(values: ArrayLike, shape: tuple[int, ...], what: str) -> Array:
    array = np.asarray(values, dtype=np.float64)
    if array.shape != shape:
        raise ValueError(f"{what} has the shape {array.shape}, not {shape}")
    if not np.isfinite(array).all():
        raise ValueError(f"{what} is not finite: it was not determined")
    return array
