"""Rail: bring it to its nominal voltage, unless the octave steps set it later anyway."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from rig.diagnosis import out_of_travel
from rig.operators.port import TurnEnd
from rig.product import StageName, TrimKind
from rig.recommend import RAIL_MARGIN
from rig.science.learning import Belief
from rig.stages.moves import learned_gain, turn_to_voltage
from rig.stages.survey import read_rail
from rig.watch import RailWatch

if TYPE_CHECKING:
    from collections.abc import MutableMapping

    from rig.acquire import Acquisition
    from rig.diagnosis import Cause
    from rig.operators.port import Operator
    from rig.records import Recorder
    from rig.science.learning import TrimKnowledge
    from rig.stages.moves import Made

TOLERANCE_V = 0.0005
FAR_OFF_SHARE = 0.02
"""A rail farther off than this is set at once, whoever sets it again: knob and switch would mislead meanwhile."""


@dataclass(frozen=True, slots=True)
class RailSet:
    """How the rail was left: moves made, and a cause where no setting is right."""

    moves: int
    cause: Cause | None


def learned_rail(recorder: Recorder, known: TrimKnowledge, made: Made) -> TrimKnowledge:
    """What a move of the rail showed of a turn's effect."""
    return learned_gain(recorder, known, Belief(made.ratio - 1.0, TOLERANCE_V / made.before), made)


def adjust_rail(
    acquisition: Acquisition, operator: Operator, recorder: Recorder, known: MutableMapping[str, TrimKnowledge]
) -> RailSet:
    """Read the rail; turn it to nominal when it is not well inside its limit and no later stage sets it."""
    product = acquisition.product
    found, limit = product.trim_of(TrimKind.RAIL), product.limits.rail
    rail = read_rail(acquisition, recorder, "rail")
    if found is None or limit is None or rail is None:
        return RailSet(0, None)
    name, trim = found
    off_v = abs(rail.voltage_v - limit.nominal_v)
    set_later = StageName.OCTAVE_STEPS in product.stages
    if off_v <= (FAR_OFF_SHARE * limit.nominal_v if set_later else RAIL_MARGIN * limit.plus_minus_v):
        return RailSet(0, None)
    turns = (limit.nominal_v / rail.voltage_v - 1.0) / known[name].gain.mean
    if abs(turns) > trim.turns:
        return RailSet(0, out_of_travel(trim.label, turns))
    watch = RailWatch(acquisition, limit.nominal_v, TOLERANCE_V)
    made = turn_to_voltage(acquisition, operator, recorder, name, turns, known[name].gain, watch)
    known[name] = learned_rail(recorder, known[name], made)
    at_stop = made.end is TurnEnd.END_STOP
    return RailSet(1, out_of_travel(trim.label, turns - (made.turns or 0.0)) if at_stop else None)
