"""Octave steps: they set the rail's final value, where the divider's real errors are evenly spread."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from rig.diagnosis import out_of_travel
from rig.product import TrimKind
from rig.recommend import common_stretch, rail_plan, rail_should_move
from rig.science.trims import pitches_after
from rig.stages.moves import MOST_MOVES
from rig.stages.rail import TOLERANCE_V, RailSet, move_rail, turns_to
from rig.stages.survey import read_rail

if TYPE_CHECKING:
    from collections.abc import MutableMapping

    from numpy.typing import NDArray

    from rig.acquire import Acquisition
    from rig.assess import SweepAssessment
    from rig.operators.port import Operator
    from rig.product import Product
    from rig.records import Recorder
    from rig.science.learning import TrimKnowledge
    from rig.stages.survey import Survey

WORTH_TURNING = 1.5
"""A rail nearer to its target than so many tolerances is left alone: no hand does better."""


def adjust_octave_steps(
    acquisition: Acquisition,
    operator: Operator,
    recorder: Recorder,
    known: MutableMapping[str, TrimKnowledge],
    seen: Survey,
    now: SweepAssessment,
    left_alone: MutableMapping[str, str],
) -> RailSet:
    """Turn the rail to the voltage that serves the octave steps best; nobody has to move the switch for it.

    :param seen: the last survey, in which the steps were read.
    :param now: the tracking as it stands since then: it says what has become of the steps.
    :param left_alone: trims that nobody is asked for again, each with the reason; a rail that is refused joins them.
    """
    product = acquisition.product
    found, rail = product.trim_of(TrimKind.RAIL), read_rail(acquisition, recorder, "rail")
    if found is None or found[0] in left_alone or rail is None or seen.rail is None or not seen.octaves:
        return RailSet(0, None)
    name, trim = found
    for moves in range(MOST_MOVES + 1):
        steps = _steps_now(product, seen, now, rail.voltage_v / seen.rail.voltage_v)
        plan = rail_plan(product, rail.voltage_v, steps)
        if plan is None:
            break
        near = abs(plan.target_v - rail.voltage_v) <= WORTH_TURNING * TOLERANCE_V
        if near or moves == MOST_MOVES or not rail_should_move(product, plan, rail.voltage_v):
            # what no rail can make good is named after the proof, when scale and highs are known to be right
            return RailSet(moves, None)
        turns = turns_to(plan.target_v, rail.voltage_v, known[name].gain)
        if abs(turns) > trim.turns:
            return RailSet(moves, out_of_travel(trim.label, turns))
        made = move_rail(acquisition, operator, recorder, known, name, turns, plan.target_v, seen_to_move=moves > 0)
        if made.left_alone is not None:
            left_alone[name] = made.left_alone
            return RailSet(moves, None)
        if made.cause is not None:
            return RailSet(moves + 1, made.cause)
        rail = read_rail(acquisition, recorder, "rail") or rail
    return RailSet(0, None)


def _steps_now(product: Product, seen: Survey, now: SweepAssessment, rail_ratio: float) -> NDArray[np.float64]:
    """Octave steps as they must be by now, shape (positions - 1,)."""
    switch = product.controls.octave
    if switch is None:
        return np.array([])
    x = float(product.law.law().octaves(switch.read_at_cv_v))
    before, after = seen.assessed.parameters, now.parameters
    stretch = rail_ratio * common_stretch(product, before, after)
    pitches = np.array([each.octaves for each in seen.octaves])
    later = pitches_after(pitches, before, after, x, stretch)
    return np.asarray(later[1:] - later[0])
