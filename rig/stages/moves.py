"""One move of one trim: show the operator the target, watch, record what came of it."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite
from typing import TYPE_CHECKING

from rig.errors import MaybeOff, UnitWasOff
from rig.operators.port import Turn, TurnEnd
from rig.science.learning import Belief, TrimKnowledge, combine, gain_observation
from rig.science.pitch import note_name

if TYPE_CHECKING:
    from collections.abc import Callable

    from rig.acquire import Acquisition
    from rig.operators.port import Operator
    from rig.records import Recorder
    from rig.watch import PitchWatch, RailWatch

MOST_PARTS = 5
"""How often a target may move while the tool is in the trim."""
MOST_MOVES = 3
"""How often a trim with a target of its own is turned before what remains is left to the proof."""
MOVED_SURELY = 4.0
LEAST_SHARE = 0.1
"""Of what the turns should have done: a trim that did less stands at its stop."""
SHOWS_SURELY = 3.0
"""So much more than what shows surely must turns be good for, before it says something that nothing moved."""
LITTLE_SPREADS = 1.5
"""So many standard uncertainties below what is believed of a turn's effect, it did little."""
MOST_TURNS_SHARE = 0.5
"""Doubt in the rough number of turns that is allowed for beside the gain's own spread."""


@dataclass(frozen=True, slots=True)
class Made:
    """A move as it was made."""

    trim: str
    end: TurnEnd
    turns: float | None
    before: float
    after: float
    outcome: str
    said: str = ""
    """Why it was given up, in the operator's words."""

    @property
    def ratio(self) -> float:
        """Reading after the move as a share of that before it."""
        return self.after / self.before


def most_turns(turns: float, gain: Belief) -> float:
    """Turns past which something is wrong: the rough number, its spread, and a little."""
    spread = gain.standard_uncertainty / abs(gain.mean)
    return abs(turns) * (1.0 + MOST_TURNS_SHARE + 2.0 * spread) + 0.2


def moved_surely(made: Made, amount: Belief, gain: Belief) -> bool:
    """Whether a turn has moved what it was to move.

    :param amount: what was seen of it, in the trim's own amount.
    """
    expected = abs(gain.mean * (made.turns or 0.0))
    return abs(amount.mean) > max(MOVED_SURELY * amount.standard_uncertainty, LEAST_SHARE * expected)


def turned_in_vain(made: Made, amount: Belief, gain: Belief) -> bool:
    """Whether a trim stands at its end stop, seen from a turn that moved nothing.

    Somebody says so, or more turns than it should ever take were counted, far more than enough to show.
    """
    if moved_surely(made, amount, gain):
        return False
    enough = abs(gain.mean * (made.turns or 0.0)) > SHOWS_SURELY * MOVED_SURELY * amount.standard_uncertainty
    return made.end is TurnEnd.END_STOP or (made.end is TurnEnd.TURN_LIMIT and enough)


def not_at_its_end(label: str) -> str:
    """What somebody is told who says that a trim is at its end, though it has moved."""
    return f"{label} has moved, so it is not taken to be at its end; say so again once nothing moves."


def at_its_stop(operator: Operator, label: str, made: Made, amount: Belief, gain: Belief) -> bool:
    """Whether a trim stands at its end stop; says so where somebody believes that and it has moved.

    :param amount: what the reading has moved by, in the trim's own amount.
    """
    if made.end is TurnEnd.END_STOP and moved_surely(made, amount, gain):
        operator.tell(not_at_its_end(label))
    return turned_in_vain(made, amount, gain)


@dataclass(frozen=True, slots=True)
class Aim:
    """Where a trim is to be turned to: rough number of turns, what is known of a turn's effect, and the watch.

    ``said`` is told before, where it follows upon another.
    """

    turns: float
    gain: Belief
    watch: PitchWatch
    said: str = ""


def turn_to_pitch(
    acquisition: Acquisition,
    operator: Operator,
    recorder: Recorder,
    name: str,
    aim: Aim,
    controls: dict[str, str],
    look: Callable[[Made], Aim | None],
) -> Made:
    """Turn a trim until the pitch at the held CV is the target; while the tool is in it, look whether that is enough.

    One move lasts until the tool leaves the trim. ``look`` sees what the last turn did to the whole unit and gives a
    new aim where the target has moved (the pivot was not known better before), or None.
    """
    trim = acquisition.product.trims[name]
    aim.watch.begin()
    first = aim.watch.read().number
    with recorder.move(name, 2.0**aim.watch.target_octaves, "Hz", aim.watch.cv_v, controls, aim.turns) as move:
        move.before = first
        for part in range(MOST_PARTS):
            made = _part(operator, name, trim.label, aim)
            move.after, move.outcome = made.after, made.outcome
            move.target = 2.0**aim.watch.target_octaves
            following = look(made)
            if following is None or made.end in (TurnEnd.GAVE_UP, TurnEnd.SKIPPED) or part == MOST_PARTS - 1:
                break
            operator.tell(following.said)
            aim = following
            aim.watch.begin()
    return made


def _part(operator: Operator, name: str, label: str, aim: Aim) -> Made:
    target_hz = 2.0**aim.watch.target_octaves
    turn = Turn(
        name,
        label,
        f"{target_hz:.3f} Hz ({note_name(target_hz)})",
        f"the CV held at {aim.watch.cv_v:.2f} V",
        aim.turns,
        most_turns(aim.turns, aim.gain),
        tool_stays=True,
    )
    try:
        before = aim.watch.read().number
        turned = operator.turn(turn, aim.watch)
        after = aim.watch.read().number
    except UnitWasOff:
        raise UnitWasOff(f"The unit was off while {label} was turned.") from None
    if not (isfinite(before) and isfinite(after)):
        raise MaybeOff(
            f"The counter sees no signal where {label} was turned: check the output lead and the unit's power"
        )
    return Made(name, turned.end, turned.turns_estimate, before, after, turned.outcome, turned.said)


def turn_to_voltage(
    acquisition: Acquisition,
    operator: Operator,
    recorder: Recorder,
    name: str,
    turns: float,
    gain: Belief,
    watch: RailWatch,
) -> Made:
    """Turn the rail trim until the meter reads the target."""
    trim = acquisition.product.trims[name]
    turn = Turn(name, trim.label, f"{watch.target_v:.4f} V", "the meter on the rail", turns, most_turns(turns, gain))
    with recorder.move(name, watch.target_v, "V", None, {}, turns) as move:
        move.before = watch.read().number
        turned = operator.turn(turn, watch)
        move.after = watch.read().number
        move.outcome = turned.outcome
    return Made(name, turned.end, turned.turns_estimate, move.before, move.after, turned.outcome, turned.said)


def learned_gain(recorder: Recorder, known: TrimKnowledge, amount: Belief, made: Made) -> TrimKnowledge:
    """What the move showed of a turn's effect: kept for the batch, and used for this unit at once.

    A trim that works the other way round than was expected is believed at once. Where turns that should have been
    enough did little, part of them may have been made in vain, at the end of the trim: they teach nothing.
    """
    gain = None if made.end is TurnEnd.END_STOP else gain_observation(amount, made.turns)
    if gain is None or (made.end is TurnEnd.TURN_LIMIT and _did_little(gain, known.gain)):
        return known
    recorder.observation(made.trim, "gain", gain)
    reversed_sense = gain.mean * known.gain.mean < 0.0
    return TrimKnowledge(gain if reversed_sense else combine(known.gain, gain), known.pivot)


def _did_little(seen: Belief, known: Belief) -> bool:
    """Whether a turn's effect, the right way round, is far smaller than it is believed to be."""
    share = seen.mean / known.mean
    return 0.0 < share < 1.0 - LITTLE_SPREADS * known.standard_uncertainty / abs(known.mean)
