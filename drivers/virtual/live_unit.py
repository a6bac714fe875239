"""A unit that lies on the bench: where its trims and controls stand, how warm it is, how it sounds."""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass, replace
from functools import cached_property
from operator import attrgetter
from threading import Lock
from typing import TYPE_CHECKING

from drivers.virtual.errors import HandsRefused
from drivers.virtual.heat import WANDER_PERIODS_S, Heat, Wander
from drivers.virtual.oscillator import CoreState, octaves_of_hertz_per_volt, octaves_of_volts
from drivers.virtual.trimmer import Trimmer
from drivers.virtual.unit import TrimKind, UnitDescription, VoltsPerOctave

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    import numpy as np

    from drivers.clock import Clock

CORE_WANDER_PERIODS_S = ((61.0, 0.5), (17.0, 0.3), (5.3, 0.2))
CENTS = 1200.0
REMEMBERED_STATES = 64
REFERENCE_ROOM_C = 23.0
"""Room in which a unit is as its description says (common practice: calibrations are stated for 23 degrees)."""


@dataclass(frozen=True)
class UnitState:
    """A unit between two touches: everything about it at any moment follows from this.

    :param switch: index of the octave switch's position.
    :param knob: travel of the knob, 0 at the low stop, 1 at the high stop.
    """

    description: UnitDescription
    room: Wander
    core_wander: Wander
    trimmers: Mapping[str, Trimmer]
    heat: Heat
    switch: int = 0
    knob: float = 0.0
    room_k: float = 0.0
    """How much warmer its room is than the one in which it was described."""

    def trim_effect(self, kind: TrimKind) -> float:
        """What the trim of a kind does where it stands, in the unit of its kind; 0 when the unit has none."""
        return self._effects.get(kind, 0.0)

    @cached_property
    def _effects(self) -> Mapping[TrimKind, float]:
        return {
            trim.kind: trim.effect_per_turn * self.trimmers[name].from_middle_turns
            for name, trim in self.description.trims.items()
        }

    @cached_property
    def temperature_k(self) -> Callable[[float], float]:
        """Temperature at a time less that of the warm unit in a steady room of the reference temperature, K.

        A function that is made once for a state, as :meth:`frequency_hz` is.
        """
        thermal, room_k, wander_at = self.description.thermal, self.room_k, self.room.at
        below_warm_k, wander_k = self.heat.below_warm_k(thermal), thermal.wander_k

        def temperature_k(time_s: float) -> float:
            return room_k + below_warm_k(time_s) + wander_k * wander_at(time_s)

        return temperature_k

    def rail_v(self) -> float:
        """Reference rail; 0 V without power."""
        if not self.heat.powered:
            return 0.0
        rail = self.description.rail
        return rail.nominal_v * (1.0 + rail.error) * (1.0 + self.trim_effect(TrimKind.RAIL))

    def rail_share_octaves(self) -> float:
        """Octaves that come from the rail through switch and knob."""
        rail = self.description.rail
        bow_octaves = rail.knob_bow_octaves + self.trim_effect(TrimKind.CENTRE)
        return self.rail_v() / rail.nominal_v * (
            rail.switch_octaves[self.switch] + rail.knob_octaves * self.knob
        ) + bow_octaves * 4.0 * self.knob * (1.0 - self.knob)

    @cached_property
    def _warm_core(self) -> CoreState:
        """The core as it is when heat and wander leave it alone."""
        core = self.description.core
        return CoreState(
            base_octaves=math.log2(core.base_hz) + self.rail_share_octaves() + self.trim_effect(TrimKind.BASE),
            slope=core.slope * (1.0 + self.trim_effect(TrimKind.SCALE_INPUT)),
            pivot_octaves=math.log2(core.pivot_hz),
            scale=(1.0 + core.scale_error) * (1.0 + self.trim_effect(TrimKind.SCALE_COMMON)),
            bulk_per_hz=core.bulk_per_hz,
            leakage_hz=core.leakage_hz,
            dead_time_s=core.dead_time_s - self.trim_effect(TrimKind.HIGHS),
        )

    @cached_property
    def frequency_hz(self) -> Callable[[float, float], float]:
        """Pitch at a time under a control voltage that has reached the core, without noise, Hz.

        A function that is made once for a state: a gate asks for many pitches, and all but time and voltage stays.
        """
        thermal, temperature_at_k = self.description.thermal, self.temperature_k
        scale_per_k, offset_octaves_per_k = thermal.scale_per_k, thermal.offset_octaves_per_k
        wander_at, wander_octaves = self.core_wander.at, self.description.noise.wander_cents / CENTS
        core_frequency_hz, octaves_at = self._warm_core.frequency_hz, _octaves_at(self.description)

        def frequency_hz(time_s: float, cv_v: float) -> float:
            temperature_k = temperature_at_k(time_s)
            return core_frequency_hz(
                octaves_at(cv_v),
                1.0 + scale_per_k * temperature_k,
                offset_octaves_per_k * temperature_k + wander_octaves * wander_at(time_s),
            )

        return frequency_hz

    def sounds(self) -> bool:
        """Whether anything comes out."""
        return self.heat.powered and self.description.output.alive


def _octaves_at(description: UnitDescription) -> Callable[[float], float]:
    """Octaves of CV as a function of the control voltage."""
    law, connected = description.law, description.input.connected
    if isinstance(law, VoltsPerOctave):
        volts_per_octave = law.volts_per_octave
        return lambda cv_v: octaves_of_volts(cv_v if connected else 0.0, volts_per_octave)
    return lambda cv_v: octaves_of_hertz_per_volt(cv_v if connected else 0.0)


class LiveUnit:
    """The states that a unit went through, each valid from its moment on. Safe for several threads."""

    def __init__(
        self, description: UnitDescription, clock: Clock, wander: np.random.Generator, room_k: float = 0.0
    ) -> None:
        self.description = description
        self._clock = clock
        self._lock = Lock()
        self._states = [
            UnitState(
                description=description,
                room=Wander.drawn(wander, WANDER_PERIODS_S),
                core_wander=Wander.drawn(wander, CORE_WANDER_PERIODS_S),
                trimmers={
                    name: Trimmer(trim.turns, trim.backlash_turns, trim.position_turns)
                    for name, trim in description.trims.items()
                },
                heat=Heat(clock.now()),
                room_k=room_k,
            )
        ]

    @property
    def state(self) -> UnitState:
        """The present state."""
        return self._states[-1]

    def state_at(self, time_s: float) -> UnitState:
        """The state that held at a time."""
        states = self._states  # replaced, never changed
        if states[-1].heat.since_s <= time_s:
            return states[-1]
        return states[max(bisect_right(states, time_s, key=attrgetter("heat.since_s")) - 1, 0)]

    def power(self, *, on: bool) -> None:
        """Switch the supply: warming or cooling starts from the temperature of this moment."""
        with self._lock:
            present = self._present()
            self._enter(replace(present, heat=replace(present.heat, powered=on)))

    def turn(self, trim: str, turns: float) -> None:
        """Turn a trim, clockwise positive; the hand leaves its warmth.

        :raises HandsRefused: the unit has no such trim.
        """
        if trim not in self.description.trims:
            names = ", ".join(self.description.trims) or "none at all"
            raise HandsRefused(f"This unit has no trim {trim!r}: it has {names}.")
        with self._lock:
            present = self._present()
            trimmers = {**present.trimmers, trim: present.trimmers[trim].turned(turns)}
            warmed = replace(present.heat, hand_k=self.description.thermal.hand_k)
            self._enter(replace(present, trimmers=trimmers, heat=warmed))

    def set_switch(self, index: int) -> None:
        """Set the octave switch."""
        with self._lock:
            self._enter(replace(self._present(), switch=index))

    def set_knob(self, travel: float) -> None:
        """Set the knob: 0 is the low stop, 1 the high stop."""
        with self._lock:
            self._enter(replace(self._present(), knob=travel))

    def replace_parts(self, description: UnitDescription) -> None:
        """Let years, or a soldering iron, change the unit's parts; its trims stay where they were left."""
        with self._lock:
            self.description = description
            self._enter(replace(self._present(), description=description))

    def restore(self, state: UnitState) -> None:
        """Put parts and trims back as they were; what has become warm meanwhile stays so."""
        with self._lock:
            self.description = state.description
            present = self._present()
            self._enter(replace(present, description=state.description, trimmers=state.trimmers))

    def _present(self) -> UnitState:
        last, now_s = self._states[-1], self._clock.now()
        return replace(last, heat=last.heat.at(now_s, self.description.thermal))

    def _enter(self, state: UnitState) -> None:
        self._states = [*self._states[-REMEMBERED_STATES:], state]
