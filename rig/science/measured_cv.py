"""Control voltages that a second meter reads at each point: the reading counts, the source's curve only aims.

What the source is off by no longer matters; what all readings of the meter have in common (its gain and offset) ties
all points together, as behind a characterisation, and each reading has noise and resolution of its own.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from rig.science.characterisation import CommonErrors, CvCorrection, covariance_of_readings

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class MeasuredCv:
    """A CV that is read at each point.

    :param aim: what programmed voltages are, to aim by.
    :param common: the meter's gain and offset.
    :param own_standard_uncertainty_v: what each reading has for itself: noise, resolution.
    """

    aim: CvCorrection
    common: CommonErrors
    own_standard_uncertainty_v: float

    def true_v(self, programmed_v: float) -> float:
        """Voltage at the jack to be expected; what stands there is what the meter reads."""
        return self.aim.true_v(programmed_v)

    def programmed_v(self, true_v: float, resolution_v: float) -> float:
        """What to program, on the source's own grid, to come near a voltage at the jack."""
        return self.aim.programmed_v(true_v, resolution_v)

    def covariance_at(self, programmed_v: ArrayLike) -> Array:
        """Covariance of what readings near these voltages have in common, V squared, shape (n, n).

        What each has for itself stands beside it (:func:`own_uncertainty_v`), as the source's grid does otherwise.
        """
        near_v = [self.aim.true_v(float(each)) for each in np.atleast_1d(np.asarray(programmed_v, dtype=np.float64))]
        return covariance_of_readings(near_v, 0.0, self.common)


def own_uncertainty_v(line: CvCorrection, grid_standard_uncertainty_v: float) -> float:
    """What each CV has for itself: a reading's own doubt where it is read, else that of the source's grid."""
    return line.own_standard_uncertainty_v if isinstance(line, MeasuredCv) else grid_standard_uncertainty_v
