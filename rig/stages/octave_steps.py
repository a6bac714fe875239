"""Octave steps: they set the rail's final value, where the divider's real errors are evenly spread."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from rig.diagnosis import out_of_travel
from rig.operators.port import TurnEnd
from rig.product import TrimKind
from rig.recommend import octave_cause, rail_plan, rail_should_move
from rig.stages.moves import turn_to_voltage
from rig.stages.rail import TOLERANCE_V, RailSet, learned_rail
from rig.stages.survey import read_octaves, read_rail
from rig.watch import RailWatch

if TYPE_CHECKING:
    from collections.abc import MutableMapping

    from rig.acquire import Acquisition
    from rig.operators.port import Operator
    from rig.records import Recorder
    from rig.science.learning import TrimKnowledge

MOST_MOVES = 3


def adjust_octave_steps(
    acquisition: Acquisition, operator: Operator, recorder: Recorder, known: MutableMapping[str, TrimKnowledge]
) -> RailSet:
    """Read rail and octave steps, and turn the rail to the voltage that serves the steps best."""
    product = acquisition.product
    found = product.trim_of(TrimKind.RAIL)
    if found is None:
        return RailSet(0, None)
    name, trim = found
    moves = 0
    while True:
        rail = read_rail(acquisition, recorder, "rail")
        pitches = read_octaves(acquisition, operator, recorder, "rail")
        if rail is None or not pitches:
            return RailSet(moves, None)
        steps = np.array([each.octaves - pitches[0].octaves for each in pitches[1:]])
        plan = rail_plan(product, rail.voltage_v, steps)
        if plan is None:
            return RailSet(moves, None)
        if moves >= MOST_MOVES or not rail_should_move(product, plan, rail.voltage_v):
            return RailSet(moves, octave_cause(product, plan))
        turns = (plan.target_v / rail.voltage_v - 1.0) / known[name].gain.mean
        if abs(turns) > trim.turns:
            return RailSet(moves, out_of_travel(trim.label, turns))
        watch = RailWatch(acquisition, plan.target_v, TOLERANCE_V)
        made = turn_to_voltage(acquisition, operator, recorder, name, turns, known[name].gain, watch)
        known[name] = learned_rail(recorder, known[name], made)
        moves += 1
        if made.end is TurnEnd.END_STOP:
            return RailSet(moves, out_of_travel(trim.label, turns - (made.turns or 0.0)))
