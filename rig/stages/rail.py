"""Rail: bring it to its nominal voltage, unless the octave steps set it later anyway."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from rig.diagnosis import out_of_travel
from rig.operators.port import TurnEnd
from rig.product import StageName, TrimKind
from rig.recommend import RAIL_MARGIN
from rig.science.learning import Belief
from rig.stages.moves import MOST_MOVES, at_its_stop, learned_gain, turn_to_voltage
from rig.stages.survey import read_rail
from rig.watch import RailWatch

if TYPE_CHECKING:
    from collections.abc import MutableMapping

    from rig.acquire import Acquisition
    from rig.diagnosis import Cause
    from rig.operators.port import Operator
    from rig.records import Recorder
    from rig.science.learning import TrimKnowledge

TOLERANCE_V = 0.0005
FAR_OFF_SHARE = 0.02
"""A rail farther off than this is set at once, whoever sets it again: knob and switch would mislead meanwhile."""
STOOD_SHARE = 1e-3
"""A rail that differs by less before and after was not moved."""


@dataclass(frozen=True, slots=True)
class RailSet:
    """How the rail was left: moves made, and a cause where no setting is right."""

    moves: int
    cause: Cause | None


@dataclass(frozen=True, slots=True)
class RailMove:
    """A move of the rail: the voltage that it was left at, how it ended, and a cause where it stands at its stop.

    ``left_alone`` says why somebody would not turn it; None where it was turned.
    """

    voltage_v: float
    end: TurnEnd
    cause: Cause | None
    left_alone: str | None


def stood(before_v: float, now_v: float) -> bool:
    """Whether a rail is where it was."""
    return abs(now_v - before_v) < STOOD_SHARE * before_v


def turns_to(target_v: float, voltage_v: float, gain: Belief) -> float:
    """Turns of the rail trim from one voltage to another, clockwise positive."""
    return (target_v / voltage_v - 1.0) / gain.mean


def move_rail(
    acquisition: Acquisition,
    operator: Operator,
    recorder: Recorder,
    known: MutableMapping[str, TrimKnowledge],
    name: str,
    turns: float,
    target_v: float,
    *,
    seen_to_move: bool,
) -> RailMove:
    """Turn the rail once to a voltage, learn from it, and see whether it stands at its stop.

    :param seen_to_move: whether the rail followed its trim before.
    """
    label, gain = acquisition.product.trims[name].label, known[name].gain
    watch = RailWatch(acquisition, target_v, TOLERANCE_V)
    made = turn_to_voltage(acquisition, operator, recorder, name, turns, gain, watch)
    amount = Belief(made.ratio - 1.0, TOLERANCE_V / made.before)
    known[name] = learned_gain(recorder, known[name], amount, made)
    stopped = at_its_stop(operator, label, made, amount, gain)
    turns_more = turns_to(target_v, made.after, gain)
    cause = out_of_travel(label, turns_more, seen_to_move=seen_to_move) if stopped else None
    return RailMove(made.after, made.end, cause, made.said if made.end is TurnEnd.SKIPPED else None)


def adjust_rail(
    acquisition: Acquisition,
    operator: Operator,
    recorder: Recorder,
    known: MutableMapping[str, TrimKnowledge],
    left_alone: MutableMapping[str, str],
) -> RailSet:
    """Read the rail; turn it to nominal when it is not well inside its limit and no later stage sets it.

    :param left_alone: trims that nobody is asked for again, each with the reason; a rail that is refused joins them.
    """
    product = acquisition.product
    found, limit = product.trim_of(TrimKind.RAIL), product.limits.rail
    rail = read_rail(acquisition, recorder, "rail")
    if found is None or limit is None or rail is None or found[0] in left_alone:
        return RailSet(0, None)
    name, trim = found
    off_v = abs(rail.voltage_v - limit.nominal_v)
    set_later = StageName.OCTAVE_STEPS in product.stages
    if off_v <= (FAR_OFF_SHARE * limit.nominal_v if set_later else RAIL_MARGIN * limit.plus_minus_v):
        return RailSet(0, None)
    voltage_v = rail.voltage_v
    for moves in range(MOST_MOVES):
        turns = turns_to(limit.nominal_v, voltage_v, known[name].gain)
        if abs(turns) > trim.turns:
            return RailSet(moves, out_of_travel(trim.label, turns))
        made = move_rail(acquisition, operator, recorder, known, name, turns, limit.nominal_v, seen_to_move=moves > 0)
        if made.left_alone is not None:
            left_alone[name] = made.left_alone
            return RailSet(moves, None)
        near = abs(limit.nominal_v - made.voltage_v) <= TOLERANCE_V
        if made.cause is not None or made.end is TurnEnd.REACHED or near:
            return RailSet(moves + 1, made.cause)
        voltage_v = made.voltage_v
    return RailSet(MOST_MOVES, None)
