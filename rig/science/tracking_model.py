"""The tracking model: ideal exponential core, leakage at the bottom, one combined highs term at the top.

    f_core = 2^(a + s x) + f_leak        1/f = 1/f_core + tau        y = log2 f

x is the control voltage in octaves of the law. Dead time adds ``tau`` to every period; emitter bulk
resistance looks the same within 0.06 cent up to 43 cents of droop, so one term stands for both, and it is
negative where a highs trim over-compensates.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Array = NDArray[np.float64]

PARAMETERS = ("core_pitch_octaves", "slope", "leakage_hz", "dead_time_s")
CORE, SLOPE, LEAKAGE, DEAD_TIME = range(4)
LOG2_E = 1.0 / np.log(2.0)


def predict(parameters: ArrayLike, x: ArrayLike) -> Array:
    """Pitch in octaves re 1 Hz.

    :param parameters: shape (..., 4), in the order of ``PARAMETERS``.
    :param x: octaves of the law, shape (n,) or (..., n); leading dimensions broadcast.
    :returns: shape (..., n); NaN where no oscillation is possible (leakage below minus the core's frequency,
        or dead time below minus its period).
    """
    terms = np.asarray(parameters, dtype=np.float64)[..., None]
    with np.errstate(all="ignore"):
        core_hz = np.exp2(terms[..., CORE, :] + terms[..., SLOPE, :] * np.asarray(x)) + terms[..., LEAKAGE, :]
        period_s = 1.0 / np.where(core_hz > 0.0, core_hz, np.nan) + terms[..., DEAD_TIME, :]
        return np.asarray(-np.log2(period_s))


def jacobian(parameters: ArrayLike, x: ArrayLike) -> Array:
    """Derivatives of the pitch by the four terms.

    :param parameters: shape (..., 4).
    :param x: octaves of the law, shape (n,) or (..., n).
    :returns: shape (..., n, 4).
    """
    terms = np.asarray(parameters, dtype=np.float64)[..., None]
    positions = np.asarray(x, dtype=np.float64)
    with np.errstate(all="ignore"):
        exponential_hz = np.exp2(terms[..., CORE, :] + terms[..., SLOPE, :] * positions)
        core_hz = exponential_hz + terms[..., LEAKAGE, :]
        period_s = 1.0 / core_hz + terms[..., DEAD_TIME, :]
        by_core_hz = 1.0 / (period_s * core_hz * core_hz)
        by_core = exponential_hz * by_core_hz
        columns = (by_core, by_core * positions, LOG2_E * by_core_hz, -LOG2_E / period_s)
        return np.stack(columns, axis=-1)
