"""Knob range and centre: read its stops, bring the knob's middle to the middle of its stops."""

from __future__ import annotations

from dataclasses import dataclass
from math import log2
from typing import TYPE_CHECKING

from rig.diagnosis import out_of_travel
from rig.operators.port import TurnEnd
from rig.product import TrimKind
from rig.recommend import centre_should_move
from rig.science.learning import Belief
from rig.stages.moves import learned_gain, turn_to_pitch
from rig.stages.survey import KNOB, KNOB_LOW, KNOB_MIDDLE, read_knob, resting_controls, turn_knob
from rig.watch import PitchWatch

if TYPE_CHECKING:
    from collections.abc import MutableMapping

    from rig.acquire import Acquisition
    from rig.diagnosis import Cause
    from rig.operators.port import Operator
    from rig.records import Recorder
    from rig.science.learning import TrimKnowledge

TOLERANCE_CENTS = 1.0
CENTS = 1200.0


@dataclass(frozen=True, slots=True)
class KnobSet:
    """How the knob was left."""

    moves: int
    cause: Cause | None


def adjust_knob(
    acquisition: Acquisition, operator: Operator, recorder: Recorder, known: MutableMapping[str, TrimKnowledge]
) -> KnobSet:
    """Read the knob's stops and middle; with the knob left at its middle, turn the centre trim to its target."""
    product = acquisition.product
    found, knob = product.trim_of(TrimKind.CENTRE), product.controls.knob
    pitches = read_knob(acquisition, operator, recorder, "centre")
    if found is None or knob is None or pitches is None or not centre_should_move(product, pitches.centre_octaves):
        return KnobSet(0, None)
    name, trim = found
    turns = -pitches.centre_octaves / known[name].gain.mean
    if abs(turns) > trim.turns:
        return KnobSet(0, out_of_travel(trim.label, turns))
    turn_knob(acquisition, operator, KNOB_MIDDLE, pitches.low, known=False)
    target = (pitches.low.octaves + pitches.high.octaves) / 2.0
    watch = PitchWatch(acquisition, knob.read_at_cv_v, target, TOLERANCE_CENTS)
    controls = {**resting_controls(acquisition), KNOB: KNOB_MIDDLE}
    made = turn_to_pitch(acquisition, operator, recorder, name, turns, known[name].gain, watch, controls)
    known[name] = learned_gain(recorder, known[name], Belief(log2(made.ratio), TOLERANCE_CENTS / CENTS), made)
    turn_knob(acquisition, operator, KNOB_LOW, pitches.low, known=True)
    cause = out_of_travel(trim.label, turns - (made.turns or 0.0)) if made.end is TurnEnd.END_STOP else None
    return KnobSet(1, cause)
