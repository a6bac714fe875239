"""Weighted non-linear least squares for a stack of sweeps at once.

Gauss-Newton with Marquardt's damping (K. Levenberg, 1944; D. W. Marquardt, 1963), each sweep with its own
damping and its own end. Pitch is counted from the middle of the sweep and leakage and dead time in units of
the frequency there, so that octaves, hertz and seconds stand side by side. The start is the linear
least-squares answer of the model's first order, with the frequencies as read in its end terms.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from rig.science.tracking_model import CORE, DEAD_TIME, LEAKAGE, LOG2_E, SLOPE

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Flags = NDArray[np.bool_]

TERMS = 4
BLOCK = 512
"""Sweeps worked on together: their arrays stay in the processor's cache."""

ROUNDS = 60
SETTLED = 1e-5
"""Squared length of the last step in standard uncertainties; what it leaves is a thousandth of that step."""

SETTLED_RELATIVE = 1e-13
"""The same as a share of chi-squared, for sweeps whose misfit dwarfs their noise."""

LEAST_DAMPING = 1e-12
"""As good as none; it keeps a matrix that is exactly singular from stopping the whole stack."""

FIRST_DAMPING = 1e-2
MOST_DAMPING = 1e10
SMALLEST = 1e-300
WORST_INFLATION = 1e10
"""Variance inflation (D. W. Marquardt, 1970) past which a sweep does not determine a term."""

LEAST_INFLATION = 0.5
"""It is 1 at least, but for a column of noughts."""


@dataclass(frozen=True, slots=True)
class Problem:
    """A stack of N sweeps of n points with k linear columns besides the four terms.

    ``weight`` is the reciprocal standard uncertainty, 0 for a point that is left out. ``columns`` has shape
    (N, k, n). ``prior_mean`` (N, 4) and ``prior_information`` (N, 4, 4), the inverse covariance, may be
    absent.
    """

    x: Array
    pitch: Array
    weight: Array
    columns: Array
    prior_mean: Array | None
    prior_information: Array | None

    @property
    def terms(self) -> int:
        """Number of unknowns."""
        return TERMS + int(self.columns.shape[1])

    def rows(self, index: NDArray[np.intp] | slice) -> Problem:
        """Some of the sweeps."""
        return Problem(
            self.x[index],
            self.pitch[index],
            self.weight[index],
            self.columns[index],
            None if self.prior_mean is None else self.prior_mean[index],
            None if self.prior_information is None else self.prior_information[index],
        )


@dataclass(frozen=True, slots=True)
class Solution:
    """Unknowns (N, 4 + k), their covariance, least sum of squares, residuals (N, n), and which got there."""

    unknowns: Array
    covariance: Array
    chi_squared: Array
    residuals: Array
    converged: Flags


@dataclass(slots=True)
class _State:
    """Where each sweep stands.

    ``design`` has the weighted derivatives and residuals of the points for rows, ``system`` their products
    [J' W J, J' W r; r' W J, r' W r] with the prior added, and ``inverse`` is that of its damped J' W J.
    """

    unknowns: Array
    design: Array
    system: Array
    inverse: Array

    def rows(self, index: NDArray[np.intp]) -> _State:
        """Some of the sweeps."""
        return _State(self.unknowns[index], self.design[index], self.system[index], self.inverse[index])

    def put(self, index: NDArray[np.intp], part: _State) -> None:
        """Replace some of the sweeps."""
        self.unknowns[index] = part.unknowns
        self.design[index] = part.design
        self.system[index] = part.system
        self.inverse[index] = part.inverse


def solve(problem: Problem) -> Solution:
    """Least-squares unknowns of each sweep; one without an answer is not converged and spoils no other."""
    count, points = problem.x.shape
    terms = problem.terms
    with np.errstate(all="ignore"):
        if count <= BLOCK:
            return _solve_block(problem)
        whole = Solution(
            np.empty((count, terms)),
            np.empty((count, terms, terms)),
            np.empty(count),
            np.empty((count, points)),
            np.empty(count, dtype=np.bool_),
        )
        for first in range(0, count, BLOCK):
            rows = slice(first, first + BLOCK)
            part = _solve_block(problem.rows(rows))
            whole.unknowns[rows] = part.unknowns
            whole.covariance[rows] = part.covariance
            whole.chi_squared[rows] = part.chi_squared
            whole.residuals[rows] = part.residuals
            whole.converged[rows] = part.converged
    return whole


def _solve_block(problem: Problem) -> Solution:
    scale, middle = _scale(problem)
    normalised = _normalised(problem, scale, middle)
    state, converged = _iterate(normalised, _start(normalised))
    terms = problem.terms
    gradient = state.system[:, :terms, terms]
    covariance = state.inverse
    step = (covariance @ gradient[..., None])[..., 0]
    if np.count_nonzero(converged) < converged.size:
        lost = np.flatnonzero(~converged)
        step[lost] = 0.0
        covariance[lost] = _inverse(state.system[lost], np.full(lost.size, LEAST_DAMPING))
    inflation = np.einsum("ijj,ijj->ij", covariance, state.system[:, :terms, :terms])
    determined = np.logical_and.reduce((inflation > LEAST_INFLATION) & (inflation < WORST_INFLATION), axis=1)
    covariance *= scale[:, :, None] * scale[:, None, :]
    if np.count_nonzero(determined) < determined.size:
        covariance[~determined] = np.where(np.eye(terms) > 0.0, np.inf, 0.0)
    unknowns = (state.unknowns + step) * scale
    unknowns[:, CORE] += middle
    weighted_residuals = state.design[:, terms] - (step[:, None] @ state.design[:, :terms])[:, 0]
    return Solution(
        unknowns,
        covariance,
        state.system[:, terms, terms] - np.einsum("ij,ij->i", step, gradient),
        weighted_residuals / problem.weight,
        converged & determined,
    )


def _scale(problem: Problem) -> tuple[Array, Array]:
    """What one unit of each normalised unknown stands for, (N, 4 + k), and the middle pitch, (N,)."""
    count, points = problem.x.shape
    middle = np.add.reduce(problem.pitch, axis=1) / points
    scale = np.ones((count, problem.terms))
    np.exp2(middle, out=scale[:, LEAKAGE])
    np.exp2(-middle, out=scale[:, DEAD_TIME])
    if problem.columns.shape[1]:
        sizes = np.abs(problem.columns).max(axis=-1)
        scale[:, TERMS:] = 1.0 / np.where(sizes > 0.0, sizes, 1.0)
    return scale, middle


def _normalised(problem: Problem, scale: Array, middle: Array) -> Problem:
    columns = problem.columns
    if columns.shape[1]:
        columns = columns * scale[:, TERMS:, None]
    mean, information = problem.prior_mean, problem.prior_information
    if mean is not None and information is not None:
        own = scale[:, :TERMS]
        known = np.diagonal(information, axis1=1, axis2=2) > 0.0
        mean = np.where(known, mean, 0.0)
        mean[:, CORE] -= np.where(known[:, CORE], middle, 0.0)
        mean = mean / own
        information = information * (own[:, :, None] * own[:, None, :])
    return Problem(problem.x, problem.pitch - middle[:, None], problem.weight, columns, mean, information)


def _start(problem: Problem) -> _State:
    """Linear answer of the first order; a straight line where that answer is no oscillator."""
    count, points = problem.x.shape
    terms = problem.terms
    rows = np.empty((count, terms + 1, points))
    scaled_weight = LOG2_E * problem.weight
    reading = np.exp2(problem.pitch)
    rows[:, CORE] = problem.weight
    np.multiply(problem.weight, problem.x, out=rows[:, SLOPE])
    np.divide(scaled_weight, reading, out=rows[:, LEAKAGE])
    np.multiply(-scaled_weight, reading, out=rows[:, DEAD_TIME])
    if terms > TERMS:
        np.multiply(problem.columns, problem.weight[:, None], out=rows[:, TERMS:terms])
    np.multiply(problem.weight, problem.pitch, out=rows[:, terms])
    system = rows @ rows.transpose(0, 2, 1)
    if problem.prior_mean is not None and problem.prior_information is not None:
        system[:, :TERMS, :TERMS] += problem.prior_information
        system[:, :TERMS, terms] += np.einsum("ijk,ik->ij", problem.prior_information, problem.prior_mean)
    state = _evaluated(_linear_answer(system), problem)
    possible = np.isfinite(state.system[:, terms, terms])
    if np.count_nonzero(possible) < count:
        lost = np.flatnonzero(~possible)
        line = [CORE, SLOPE, terms]
        straight = np.zeros((lost.size, terms))
        straight[:, [CORE, SLOPE]] = _linear_answer(system[lost][:, line][:, :, line])
        state.put(lost, _evaluated(straight, problem.rows(lost)))
    return state


def _iterate(problem: Problem, start: _State) -> tuple[_State, Flags]:
    """Step each sweep until the next step is small, which is left to be taken without looking again.

    Where each sweep came to rest, and whether because of that.
    """
    count, terms = start.unknowns.shape
    rest, converged = start, np.zeros(count, dtype=np.bool_)
    index, here, damping = np.arange(count), start, np.full(count, LEAST_DAMPING)
    for _ in range(ROUNDS):
        here.inverse = _inverse(here.system, damping)
        step = (here.inverse @ here.system[:, :terms, terms:])[..., 0]
        gain = np.einsum("ij,ij->i", step, here.system[:, :terms, terms])
        near = (gain <= SETTLED + SETTLED_RELATIVE * here.system[:, terms, terms]) & (damping == LEAST_DAMPING)
        going = ~near & (damping <= MOST_DAMPING)
        left = np.count_nonzero(going)
        if left < index.size:
            converged[index] = near
            rest = _rested(rest, index, here)
            if left == 0:
                return rest, converged
            kept = np.flatnonzero(going)
            index, problem, here, step, damping = (
                index[kept],
                problem.rows(kept),
                here.rows(kept),
                step[kept],
                damping[kept],
            )
        here, damping = _stepped(problem, here, step, damping)
    return _rested(rest, index, here), converged


def _stepped(problem: Problem, here: _State, step: Array, damping: Array) -> tuple[_State, Array]:
    """State and damping after a step; a sweep that the step made worse stays where it was."""
    there = _evaluated(here.unknowns + step, problem)
    better = there.system[:, -1, -1] <= here.system[:, -1, -1]
    less = np.where(damping > FIRST_DAMPING, 0.1 * damping, LEAST_DAMPING)
    if np.count_nonzero(better) == better.size:
        return there, less
    worse = np.flatnonzero(~better)
    there.put(worse, here.rows(worse))
    return there, np.where(better, less, np.maximum(10.0 * damping, FIRST_DAMPING))


def _rested(rest: _State, index: NDArray[np.intp], here: _State) -> _State:
    if index.size == rest.unknowns.shape[0]:
        return here
    rest.put(index, here)
    return rest


def _evaluated(unknowns: Array, problem: Problem) -> _State:
    """Model and derivatives at the unknowns; an impossible oscillator gives NaN, which no step accepts."""
    x, weight = problem.x, problem.weight
    terms = unknowns.shape[1]
    core, slope, leakage, dead_time = unknowns[:, :TERMS, None].transpose(1, 0, 2)
    rows = np.empty((x.shape[0], terms + 1, x.shape[1]))
    exponential = np.exp2(core + slope * x)
    core_period = 1.0 / np.maximum(exponential + leakage, 0.0)
    period = core_period + dead_time
    by_period = LOG2_E * weight / period
    by_frequency = by_period * core_period * core_period
    np.multiply(exponential * (1.0 / LOG2_E), by_frequency, out=rows[:, CORE])
    np.multiply(rows[:, CORE], x, out=rows[:, SLOPE])
    rows[:, LEAKAGE] = by_frequency
    np.negative(by_period, out=rows[:, DEAD_TIME])
    residual = problem.pitch + np.log2(period)
    if terms > TERMS:
        residual -= (unknowns[:, None, TERMS:] @ problem.columns)[:, 0]
        np.multiply(problem.columns, weight[:, None], out=rows[:, TERMS:terms])
    np.multiply(residual, weight, out=rows[:, terms])
    system = rows @ rows.transpose(0, 2, 1)
    if problem.prior_mean is not None and problem.prior_information is not None:
        away = problem.prior_mean - unknowns[:, :TERMS]
        pull = np.einsum("ijk,ik->ij", problem.prior_information, away)
        system[:, :TERMS, :TERMS] += problem.prior_information
        system[:, :TERMS, terms] += pull
        system[:, terms, terms] += np.einsum("ij,ij->i", pull, away)
    return _State(unknowns, rows, system, np.empty_like(system[:, :terms, :terms]))


def _linear_answer(system: Array) -> Array:
    terms = system.shape[-1] - 1
    inverse = _inverse(system, np.full(system.shape[0], LEAST_DAMPING))
    return np.asarray((inverse @ system[:, :terms, terms:])[..., 0])


def _inverse(system: Array, damping: Array) -> Array:
    """Inverse of each normal matrix with its diagonal raised by the share ``damping``."""
    terms = system.shape[-1] - 1
    matrix = system[:, :terms, :terms].copy()
    diagonal = np.einsum("ijj->ij", matrix)
    diagonal *= 1.0 + damping[:, None]
    diagonal += SMALLEST
    return np.asarray(np.linalg.inv(matrix))
