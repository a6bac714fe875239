"""Knob range and centre: bring the knob's middle to the middle of its stops."""

from __future__ import annotations

from dataclasses import dataclass
from math import log2
from typing import TYPE_CHECKING

import numpy as np

from rig.diagnosis import out_of_travel
from rig.operators.port import TurnEnd
from rig.product import TrimKind
from rig.recommend import centre_should_move, common_stretch
from rig.science.learning import Belief
from rig.science.trims import pitches_after
from rig.stages.moves import MOST_MOVES, Aim, at_its_stop, learned_gain, turn_to_pitch
from rig.stages.pitch_readings import Pitch
from rig.stages.survey import KNOB, KNOB_LOW, KNOB_MIDDLE, read_rail, resting_controls, turn_knob
from rig.watch import EXPECTED_OCTAVES, PitchWatch

if TYPE_CHECKING:
    from collections.abc import MutableMapping

    from rig.acquire import Acquisition
    from rig.assess import SweepAssessment
    from rig.diagnosis import Cause
    from rig.operators.port import Operator
    from rig.records import Recorder
    from rig.science.learning import TrimKnowledge
    from rig.stages.moves import Made
    from rig.stages.survey import Survey

TOLERANCE_CENTS = 1.0
MIDDLE_SHARE = 0.4
"""By eye a knob's middle is met to this share of its range, whatever bends it."""
CENTS = 1200.0


@dataclass(frozen=True, slots=True)
class KnobSet:
    """How the knob was left."""

    moves: int
    cause: Cause | None


def adjust_knob(
    acquisition: Acquisition,
    operator: Operator,
    recorder: Recorder,
    known: MutableMapping[str, TrimKnowledge],
    seen: Survey,
    now: SweepAssessment,
    left_alone: MutableMapping[str, str],
) -> KnobSet:
    """With the knob at its middle, turn the centre trim to the pitch midway between the stops.

    A move that ended short of it is followed by another from there, with what was just learned of a turn.

    :param seen: the last survey, in which stops and middle were read.
    :param now: the tracking as it stands since then: it says what has become of the stops.
    :param left_alone: trims that nobody is asked for again, each with the reason; a centre trim that is refused joins
        them.
    """
    product = acquisition.product
    found, knob = product.trim_of(TrimKind.CENTRE), product.controls.knob
    if found is None or knob is None or seen.knob is None:
        return KnobSet(0, None)
    if not centre_should_move(product, seen.knob.centre_octaves):
        return KnobSet(0, None)
    name, trim = found
    if name in left_alone:
        return KnobSet(0, None)
    turns = -seen.knob.centre_octaves / known[name].gain.mean
    if abs(turns) > trim.turns:
        return KnobSet(0, out_of_travel(trim.label, turns))
    low, high = _stops_now(acquisition, recorder, seen, now)
    turn_knob(acquisition, operator, KNOB_MIDDLE, low, known=False)
    middle = (low.octaves + high) / 2.0
    expected, within = middle, MIDDLE_SHARE * (high - low.octaves)
    controls = {**resting_controls(acquisition), KNOB: KNOB_MIDDLE}
    moves, cause = 0, None
    while moves < MOST_MOVES and cause is None:
        gain = known[name].gain
        watch = PitchWatch(
            acquisition, knob.read_at_cv_v, middle, TOLERANCE_CENTS, expected_octaves=expected, within_octaves=within
        )
        made = turn_to_pitch(acquisition, operator, recorder, name, Aim(turns, gain, watch), controls, _enough)
        if made.end is TurnEnd.SKIPPED:
            left_alone[name] = made.said
            break
        moves += 1
        amount = Belief(log2(made.ratio), TOLERANCE_CENTS / CENTS)
        known[name] = learned_gain(recorder, known[name], amount, made)
        expected, within = log2(made.after), EXPECTED_OCTAVES
        turns = (middle - expected) / known[name].gain.mean
        if made.end is TurnEnd.REACHED or CENTS * abs(middle - expected) <= TOLERANCE_CENTS:
            break
        stopped = at_its_stop(operator, trim.label, made, amount, gain)
        if stopped or abs(turns) > trim.turns:
            cause = out_of_travel(trim.label, turns, seen_to_move=not stopped or moves > 1)
    turn_knob(acquisition, operator, KNOB_LOW, low, known=True)
    return KnobSet(moves, cause)


def _enough(_made: Made) -> None:
    """The centre trim moves nothing else: its first target is its last."""


def _stops_now(acquisition: Acquisition, recorder: Recorder, seen: Survey, now: SweepAssessment) -> tuple[Pitch, float]:
    """Pitch at the low stop and octaves at the high stop, as they must be by now."""
    product = acquisition.product
    knob = product.controls.knob
    if knob is None or seen.knob is None:
        raise ValueError("a product without a knob has no stops")
    before, after = seen.assessed.parameters, now.parameters
    rail = read_rail(acquisition, recorder, "knob")
    ratio = rail.voltage_v / seen.rail.voltage_v if rail is not None and seen.rail is not None else 1.0
    x = float(product.law.law().octaves(knob.read_at_cv_v))
    read = np.array([seen.knob.low.octaves, seen.knob.high.octaves])
    low, high = pitches_after(read, before, after, x, ratio * common_stretch(product, before, after))
    return Pitch(float(low), seen.knob.low.standard_uncertainty), float(high)
