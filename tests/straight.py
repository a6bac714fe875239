"""A source that is off by an offset and a gain, for tests and figures that need no measured curve."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from rig.science.characterisation import SourceCurve

if TYPE_CHECKING:
    from numpy.typing import ArrayLike


def straight_curve(
    offset_v: float, gain: float, covariance: ArrayLike, *, low_v: float = -100.0, high_v: float = 100.0
) -> SourceCurve:
    """The curve of true = offset_v + gain * programmed.

    :param covariance: (2, 2), of offset and gain.
    """
    middle_v, half_v = (high_v + low_v) / 2.0, (high_v - low_v) / 2.0
    # offset + gain p = (offset + gain middle) P0 + gain half P1
    turn = np.array([[1.0, middle_v], [0.0, half_v]])
    return SourceCurve(
        low_v,
        high_v,
        np.asarray(turn @ np.array([offset_v, gain])),
        np.asarray(turn @ np.asarray(covariance, dtype=np.float64) @ turn.T),
    )
