"""First signs of life: does the unit give a pitch at all, and does the pitch follow the CV?"""

from __future__ import annotations

from dataclasses import dataclass
from math import log2
from typing import TYPE_CHECKING

from drivers.errors import NoSignal
from rig.diagnosis import Fault, dead_cv, dead_output, does_not_settle
from rig.errors import BenchDoubt
from rig.stages.plausible import require_a_moving_cv, require_no_hum

if TYPE_CHECKING:
    from rig.acquire import Acquisition
    from rig.diagnosis import Cause
    from rig.operators.port import Operator

TRIES = 3
LEAST_SHARE_OF_OCTAVES = 0.2
LOOKS = 8
LOOK_CENTS = 0.5
RESTLESS = 5.0
"""Times the noise of the product file from which a look is taken again before the unit is called noisy."""
ALIKE_OCTAVES = 0.02
"""Two looks within seconds of each other see the same pitches but for so much, warming up included."""


@dataclass(frozen=True, slots=True)
class Life:
    """What the first look saw: pitches in octaves re 1 Hz at the CVs looked at (missing where nothing was seen)."""

    cvs_v: tuple[float, ...]
    pitches: tuple[float | None, ...]
    cause: Cause | None

    @property
    def seen(self) -> int:
        """At how many CVs there was a signal."""
        return sum(pitch is not None for pitch in self.pitches)


def look_for_life(acquisition: Acquisition, operator: Operator) -> Life:
    """Look at three CVs; when nothing is seen, have lead and power checked before the unit is blamed.

    :raises NoSignal: nothing is seen, and nobody vouches for lead and power.
    :raises BenchDoubt: what is seen is the bench's doing, not the unit's.
    """
    problem = ""
    for _ in range(TRIES):
        life, sure = _look(acquisition), True
        if life.cause is not None or _restless(acquisition):
            life, sure = _seen_twice(acquisition, operator, life)
        if life.seen:
            _believe(acquisition, operator, life, sure=sure)
            return life
        problem = (
            f"Counter at {acquisition.bench.counter.session.resource} sees no signal at any CV: check the output "
            "lead and that the unit has power."
        )
        if operator.output_is_connected(problem):
            return Life(life.cvs_v, life.pitches, dead_output())
    raise NoSignal(problem)


def _believe(acquisition: Acquisition, operator: Operator, life: Life, *, sure: bool) -> None:
    """Doubt the bench before the unit.

    :param sure: whether two looks in a row saw the same.
    """
    require_no_hum(operator, [pitch for pitch in life.pitches if pitch is not None])
    if life.cause is not None and life.cause.fault is Fault.DEAD_CV:
        require_a_moving_cv(acquisition, operator)
        if not sure:
            raise BenchDoubt(
                f"No two of {TRIES + 1} looks at the unit saw the same, and the last no pitch that follows the CV: "
                "check the output lead and the CV lead, then the supply."
            )


def _seen_twice(acquisition: Acquisition, operator: Operator, life: Life) -> tuple[Life, bool]:
    """Look again until two looks in a row saw the same: the last look, and whether it came to that."""
    alike = False
    for _ in range(TRIES):
        before, life = life, _look(acquisition)
        alike = _alike(before, life)
        if alike:
            break
    if life.cause is None and life.seen == len(life.cvs_v) and not _restless(acquisition):
        operator.tell("Looked at again, the pitch is steady and follows the CV: what the first look saw is dropped.")
    return life, alike


def _restless(acquisition: Acquisition) -> bool:
    """Whether the readings of the last look scatter as no unit of the product should."""
    return acquisition.noise_cents_at_1s > RESTLESS * acquisition.measuring.noise_cents_at_1s


def _alike(one: Life, other: Life) -> bool:
    """Whether two looks saw the same pitches, and none where there was none."""
    return all(
        (a is None and b is None) or (a is not None and b is not None and abs(a - b) <= ALIKE_OCTAVES)
        for a, b in zip(one.pitches, other.pitches, strict=True)
    )


def _look(acquisition: Acquisition) -> Life:
    acquisition.forget()
    full = acquisition.product.range.full
    cvs_v = (full.low_v, (full.low_v + full.high_v) / 2.0, full.high_v)
    pitches = tuple(_pitch(acquisition, cv_v) for cv_v in cvs_v)
    low, high = pitches[0], pitches[-1]
    cause = None
    if acquisition.unsettled_s is not None:
        cause = does_not_settle(acquisition.measuring.settle_ceiling_s)
    elif low is not None and high is not None:
        law = acquisition.product.law.law()
        expected = float(law.octaves(full.high_v) - law.octaves(full.low_v))
        if high - low < LEAST_SHARE_OF_OCTAVES * expected:
            cause = dead_cv(high - low, expected)
    return Life(cvs_v, pitches, cause)


def _pitch(acquisition: Acquisition, cv_v: float) -> float | None:
    """Settled pitch at a CV, by as many readings as it takes to learn how the unit settles and how noisy it is."""
    programmed_v = acquisition.hold(cv_v)
    slowest_hz = acquisition.product.range.lowest_note_hz / 2.0
    try:
        averaged = acquisition.average(programmed_v, slowest_hz, LOOK_CENTS, readings=LOOKS)
    except NoSignal:
        return None
    return log2(averaged.frequency_hz)
