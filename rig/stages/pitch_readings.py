"""Single pitches, read at one position of a control: what they are counted from, their drift, how many readings."""

from __future__ import annotations

from dataclasses import dataclass
from math import log, log2, sqrt
from typing import TYPE_CHECKING

import numpy as np

from rig.science.conformity import GUARD_PROBABILITY
from rig.science.uncertainty import coverage_factor
from rig.undecided import readings_worthwhile

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rig.acquire import Averaged
    from rig.stages.longer import Patience

CENTS = 1200.0
MORE_READINGS = 8
"""How many more readings a pitch gets where a decision is near."""
NEAR_GUARD_BAND = 1.5
"""What lies farther from a limit than so many guard bands is decided by the first readings; what lies nearer gets more
of them before it is judged, once: so the first look alone passes fewer wrongly than a look can."""
ODD_CENTS = 100.0
"""A position this far from its nominal pitch is read again before it is believed."""
COVERAGE = coverage_factor(probability=GUARD_PROBABILITY)


@dataclass(frozen=True, slots=True)
class Pitch:
    """A pitch with its random standard uncertainty, octaves, and what it may have drifted, plus and minus."""

    octaves: float
    standard_uncertainty: float
    drift_octaves: float = 0.0


@dataclass(frozen=True, slots=True)
class Read:
    """A pitch and when it was read, s on the bench's clock."""

    pitch: Pitch
    time_s: float


def without_drift(reads: Sequence[Read], again: Read) -> tuple[Pitch, ...]:
    """Pitches as of one moment, the middle between the first reading and its repetition.

    The first, repeated at the end, says how far the pitch went meanwhile; that is taken as even in time, and how uneven
    it may have been, up to all of it at once, is what the others may have drifted.

    :param reads: the first of them at the position that is read again.
    :returns: the first as the mean of both readings; root sums of squares with it are the uncertainties of differences.
    """
    first = reads[0]
    moved = again.pitch.octaves - first.pitch.octaves
    away_s = again.time_s - first.time_s
    before, after = first.pitch.standard_uncertainty, again.pitch.standard_uncertainty
    reference = (before**2 + after**2) / 4.0
    pitches = [Pitch(first.pitch.octaves + moved / 2.0, sqrt(reference))]
    for each in reads[1:]:
        share = (each.time_s - first.time_s) / away_s if away_s > 0.0 else 0.5
        straight = (1.0 - share) ** 2 * before**2 + share**2 * after**2
        uneven = abs(moved) * sqrt(max(0.0, share * (1.0 - share)))
        variance = each.pitch.standard_uncertainty**2 + max(0.0, straight - reference)
        pitches.append(Pitch(each.pitch.octaves - moved * (share - 0.5), sqrt(variance), uneven))
    return tuple(pitches)


@dataclass(frozen=True, slots=True)
class Aim:
    """What a pitch is counted from, how far from it it should be, and by how much that may be missed."""

    reference: Pitch
    octaves: float
    limit_cents: float | None
    patience: Patience | None

    def more_readings(self, pitch: Pitch, taken: int, gate_s: float) -> int:
        """How many more readings help to decide, beside those that a near decision always gets."""
        if self.limit_cents is None or not self.is_near(pitch):
            return 0
        error_cents = CENTS * abs(pitch.octaves - self.reference.octaves - self.octaves)
        worthwhile = readings_worthwhile(
            CENTS * pitch.standard_uncertainty,
            CENTS * self.reference.standard_uncertainty,
            abs(error_cents - self.limit_cents),
            COVERAGE,
            taken=taken,
            each_s=gate_s,
            left_s=self.patience.left_s if self.patience is not None else 0.0,
        )
        if self.patience is not None:
            self.patience.spend(worthwhile * gate_s)
        return max(MORE_READINGS, worthwhile)

    def is_odd(self, pitch: Pitch) -> bool:
        """Whether a pitch is nowhere near what it is aimed at."""
        return CENTS * abs(pitch.octaves - self.reference.octaves - self.octaves) > ODD_CENTS

    def is_near(self, pitch: Pitch) -> bool:
        """Whether the decision on a pitch may fall inside its guard band."""
        if self.limit_cents is None:
            return False
        error_cents = CENTS * abs(pitch.octaves - self.reference.octaves - self.octaves)
        doubt_cents = CENTS * float(np.hypot(pitch.standard_uncertainty, self.reference.standard_uncertainty))
        near: bool = abs(error_cents - self.limit_cents) <= NEAR_GUARD_BAND * COVERAGE * doubt_cents
        return near


def pitch_of(averaged: Averaged) -> Pitch:
    """An averaged frequency as a pitch."""
    return Pitch(log2(averaged.frequency_hz), averaged.relative_standard_uncertainty / log(2.0))


def mean_of(one: Pitch, other: Pitch) -> Pitch:
    """Mean of two readings of one pitch, weighted by their uncertainties."""
    weights = np.array([1.0 / one.standard_uncertainty**2, 1.0 / other.standard_uncertainty**2])
    octaves = float(np.average([one.octaves, other.octaves], weights=weights))
    return Pitch(octaves, float(1.0 / np.sqrt(np.sum(weights))))
