"""Hands of the virtual bench: they insert a unit, turn its trims, set its controls, move the meter's lead."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from drivers.virtual.errors import HandsRefused
from drivers.virtual.live_unit import LiveUnit
from drivers.virtual.randomness import stream
from drivers.virtual.wiring import METER_PLACES

if TYPE_CHECKING:
    from collections.abc import Callable

    from drivers.clock import Clock
    from drivers.virtual.unit import UnitDescription
    from drivers.virtual.wiring import Wiring

LONGEST_SERIAL = 64
KNOB_POSITIONS = {"low": 0.0, "middle": 0.5, "high": 1.0}
KNOB_SWEEP_DEGREES = 300.0
"""Common practice: a single-turn potentiometer turns about 300 degrees."""
EYE_DEGREES = 2.0
"""How well a knob's middle is set by eye, standard deviation."""


class VirtualHands:
    """What a person could do at the bench.

    A unit that was inserted before comes back as it was left: its trims keep their positions, and it has
    cooled.

    :param find: gives the description of the unit with a serial.
    :param room_k: how much warmer the room is than the one in which units are described.
    """

    def __init__(
        self,
        clock: Clock,
        wiring: Wiring,
        seed: int,
        find: Callable[[str], UnitDescription],
        room_k: float = 0.0,
    ) -> None:
        self._clock = clock
        self._wiring = wiring
        self._seed = seed
        self._find = find
        self._room_k = room_k
        self._shelf: dict[str, LiveUnit] = {}
        self._eye = stream(seed, "hands", "eye")

    def insert(self, unit_serial: str) -> None:
        """Put a unit on the bench, without power; the one before it is switched off and taken away.

        :raises HandsRefused: the serial is empty, too long or not printable.
        """
        if not unit_serial or len(unit_serial) > LONGEST_SERIAL or not unit_serial.isprintable():
            shown = ascii(unit_serial[:LONGEST_SERIAL])
            raise HandsRefused(
                f"No unit can be called {shown}: a serial has 1 to {LONGEST_SERIAL} printable characters."
            )
        if unit_serial not in self._shelf:
            wander = stream(self._seed, "unit", unit_serial, "wander")
            self._shelf[unit_serial] = LiveUnit(self._find(unit_serial), self._clock, wander, self._room_k)
        if self._wiring.unit is not None:
            self._wiring.unit.power(on=False)
        self._wiring.insert(self._shelf[unit_serial])

    def power(self, on: bool) -> None:
        """Switch the unit's supply.

        :raises HandsRefused: no unit is on the bench.
        """
        self._unit().power(on=on)

    def turn(self, trim: str, turns: float) -> None:
        """Turn a trim, clockwise positive; at an end stop it slips. The hand's warmth reaches the unit.

        :raises HandsRefused: no unit, no such trim, or no number of turns.
        """
        if not math.isfinite(turns):
            raise HandsRefused(f"The trim {trim!r} cannot be turned by {turns} turns: give a finite number.")
        self._unit().turn(trim, turns)

    def set_control(self, control: str, position: str) -> None:
        """Set the octave switch ('octave': '0', '1', ...) or the knob ('knob': 'low', 'middle', 'high').

        The knob's stops repeat; its middle is set by eye.

        :raises HandsRefused: no unit, no such control, or no such position.
        """
        unit = self._unit()
        if control == "octave":
            positions = [str(index) for index in range(len(unit.description.rail.switch_octaves))]
            unit.set_switch(_index(positions, control, position))
        elif control == "knob":
            names = list(KNOB_POSITIONS)
            travel = KNOB_POSITIONS[names[_index(names, control, position)]]
            missed = float(self._eye.normal(0.0, EYE_DEGREES / KNOB_SWEEP_DEGREES))
            unit.set_knob(travel if travel in (0.0, 1.0) else min(max(travel + missed, 0.0), 1.0))
        else:
            raise HandsRefused(f"This unit has no control {control!r}: it has octave and knob.")

    def connect_meter(self, to: str) -> None:
        """Move the meter's lead to the CV jack ('source') or to the unit's reference rail ('rail').

        :raises HandsRefused: there is no such place.
        """
        if to not in METER_PLACES:
            raise HandsRefused(f"The meter's lead cannot go to {to!r}: it goes to {' or '.join(METER_PLACES)}.")
        self._wiring.connect_meter(to)

    def _unit(self) -> LiveUnit:
        if self._wiring.unit is None:
            raise HandsRefused("No unit is on the virtual bench: insert one first.")
        return self._wiring.unit


def _index(names: list[str], control: str, position: str) -> int:
    if position not in names:
        raise HandsRefused(f"The control {control!r} has no position {position!r}: it has {', '.join(names)}.")
    return names.index(position)
