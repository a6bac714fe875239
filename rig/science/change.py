"""What has changed in a unit between two visits, and which single part would leave such a change.

A unit is described by a vector of physical terms (those of its tracking, its rail, its steps, its knob, its drift, its
noise) with a covariance. The difference of two such vectors is held against what each part that may have changed
would leave: a normal distribution about zero whose covariance has the *shape* of that part's effect. Each is weighed by
the probability that it gives to what was seen (the marginal likelihood of Bayes; G. Schwarz and H. Jeffreys are the
classical sources for comparing hypotheses this way), beside the hypotheses that nothing but ordinary life has changed
the unit, that two parts have, or that something has which is none of them.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import logsumexp

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

PRIOR_NOTHING = 0.3
"""Before anything is seen: how many units that come back have nothing wrong that a bench can find (our own choice)."""
PRIOR_ONE, PRIOR_TWO, PRIOR_UNKNOWN = 0.6, 0.07, 0.03
SHARE_OF_ALL = 0.5
"""Of the changes that no part explains: how many reach every term; the others are of one term alone (our own choice).
"""


@dataclass(frozen=True, slots=True)
class State:
    """A unit in terms of its physics.

    :param names: of the terms, (n,); ``values`` (n,) with ``covariance`` (n, n).
    """

    names: tuple[str, ...]
    values: Array
    covariance: Array

    def __post_init__(self) -> None:
        size = len(self.names)
        if len(set(self.names)) != size:
            raise ValueError("two terms of a unit's state have the same name")
        if self.values.shape != (size,) or self.covariance.shape != (size, size):
            raise ValueError("names, values and covariance of a unit's state do not go together")
        if not (np.isfinite(self.values).all() and np.isfinite(self.covariance).all()):
            raise ValueError("a term of a unit's state is not finite: it was not determined")


def difference(then: State, now: State) -> State:
    """What the terms that both have changed by; the uncertainties of both visits are taken as independent.

    What both share (the same meter, the same time base) cancels in truth and still counts here: the difference is
    stated with caution.
    """
    common = tuple(name for name in then.names if name in now.names)
    before = [then.names.index(name) for name in common]
    after = [now.names.index(name) for name in common]
    return State(
        common,
        now.values[after] - then.values[before],
        now.covariance[np.ix_(after, after)] + then.covariance[np.ix_(before, before)],
    )


@dataclass(frozen=True, slots=True)
class Part:
    """A part that may have changed.

    :param shape: by how much each named term moves when the part changes by its own standard deviation.
    :param also: standard deviations by which terms move on top of that, independently (an unknown pivot).
    :param offset: what the change is known to be, where it is (a bench that was seen to move).
    """

    name: str
    shape: dict[str, float]
    also: dict[str, float] = field(default_factory=dict)
    offset: dict[str, float] = field(default_factory=dict)

    def left(self, names: Sequence[str]) -> tuple[Array, Array]:
        """Mean (n,) and covariance (n, n) of what a change of this part leaves in the named terms."""
        moved = np.array([self.shape.get(name, 0.0) for name in names])
        extra = np.array([self.also.get(name, 0.0) for name in names])
        mean = np.array([self.offset.get(name, 0.0) for name in names])
        return mean, np.outer(moved, moved) + np.diag(extra**2)


@dataclass(frozen=True, slots=True)
class Suspect:
    """One part, or two together, and the probability that it is what changed."""

    parts: tuple[str, ...]
    probability: float


@dataclass(frozen=True, slots=True)
class Suspicion:
    """What changed, most likely first. The three add up to 1 with the suspects' probabilities."""

    suspects: tuple[Suspect, ...]
    nothing_probability: float
    unknown_probability: float


def suspect(changed: State, parts: Sequence[Part], ordinary: dict[str, float], unknown: dict[str, float]) -> Suspicion:
    """Weigh the parts against what has changed.

    :param ordinary: standard deviations by which each term of a sound unit moves from visit to visit.
    :param unknown: standard deviations of a change that no part explains.
    :raises ValueError: there is no term in common, or a part has no name of its own.
    """
    names = changed.names
    if not names:
        raise ValueError("the two visits have no term in common: nothing can be compared")
    if len({each.name for each in parts}) != len(parts):
        raise ValueError("two parts have the same name")
    base = changed.covariance + np.diag([ordinary.get(name, 0.0) ** 2 for name in names])
    visible = [each for each in parts if _shows(each, names)]
    single = [((each.name,), *each.left(names)) for each in visible]
    double = [
        ((one.name, other.name), *_both(one, other, names))
        for one, other in combinations(visible, 2)
        if not (one.offset or other.offset)
    ]
    anything = np.array([unknown.get(name, 0.0) ** 2 for name in names])
    log_weights = [
        np.log(PRIOR_NOTHING) + _log_density(changed.values, base),
        np.log(PRIOR_UNKNOWN) + _unexplained(changed.values, base, anything),
    ]
    for _, mean, spread in single:
        log_weights.append(np.log(PRIOR_ONE / len(single)) + _log_density(changed.values - mean, base + spread))
    for _, mean, spread in double:
        log_weights.append(np.log(PRIOR_TWO / len(double)) + _log_density(changed.values - mean, base + spread))
    weights = np.exp(np.array(log_weights) - logsumexp(log_weights))
    suspects = [
        Suspect(names_of, float(weight))
        for (names_of, _, _), weight in zip([*single, *double], weights[2:], strict=True)
    ]
    suspects.sort(key=lambda each: -each.probability)
    return Suspicion(tuple(suspects), float(weights[0]), float(weights[1]))


def _shows(part: Part, names: Sequence[str]) -> bool:
    return any(part.shape.get(name) or part.offset.get(name) for name in names)


def _both(one: Part, other: Part, names: Sequence[str]) -> tuple[Array, Array]:
    mean, spread = one.left(names)
    mean_too, spread_too = other.left(names)
    return mean + mean_too, spread + spread_too


def _unexplained(values: Array, base: Array, variances: Array) -> float:
    """Logarithm of the density of a change without a shape: of all terms at once, or of any single one.

    A change of all terms alone would lose to no change wherever one term moved by itself: it pays for the width of
    every term that stood still.
    """
    one = [_log_density(values, base + np.diag(each)) for each in np.diag(variances)]
    every = _log_density(values, base + np.diag(variances))
    return float(np.logaddexp(np.log(SHARE_OF_ALL) + every, np.log((1.0 - SHARE_OF_ALL) / len(one)) + logsumexp(one)))


def _log_density(values: Array, covariance: Array) -> float:
    """Logarithm of the normal density, in units that make its terms alike in size."""
    scale = np.sqrt(np.diagonal(covariance))
    if not np.all(scale > 0.0):
        raise ValueError("a term of the change has no uncertainty at all: every measured term has one")
    alike = covariance / np.outer(scale, scale)
    factor = np.linalg.cholesky(alike)
    reduced = np.linalg.solve(factor, values / scale)
    return float(
        -0.5 * reduced @ reduced
        - np.sum(np.log(np.diagonal(factor)))
        - np.sum(np.log(scale))
        - 0.5 * values.size * np.log(2.0 * np.pi)
    )
