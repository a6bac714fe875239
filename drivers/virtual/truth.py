"""What only the virtual oscillator knows: its pitch without noise, at the present trims and temperature."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from drivers.virtual.errors import HandsRefused
from drivers.virtual.hands import KNOB_POSITIONS
from drivers.virtual.heat import Wander
from drivers.virtual.source import open_circuit_v

if TYPE_CHECKING:
    from drivers.virtual.configuration import SourceConfiguration
    from drivers.virtual.live_unit import UnitState
    from drivers.virtual.unit import UnitDescription

CENTS = 1200.0
DRIFT_SPAN_S = 6.0


@dataclass(frozen=True, slots=True)
class Truth:
    """A unit at one moment, and the source before it.

    :param state: the unit as it stands.
    :param time_s: moment on the bench's clock.
    :param jack_share: voltage at the CV jack per volt of the source.
    """

    state: UnitState
    time_s: float
    source: SourceConfiguration
    jack_share: float

    @property
    def description(self) -> UnitDescription:
        """What the unit is like."""
        return self.state.description

    @property
    def temperature_k(self) -> float:
        """Temperature of the unit less that of the warm unit in a steady room, K."""
        return self.state.temperature_k(self.time_s)

    @property
    def trim_positions_turns(self) -> dict[str, float]:
        """Where each trim's wiper stands, from its anticlockwise stop."""
        return {name: trimmer.wiper_turns for name, trimmer in self.state.trimmers.items()}

    def frequency_hz(self, cv_v: float, octave: str = "0", knob: str = "low") -> float:
        """Pitch with a voltage at the CV jack and the controls at these positions, Hz; 0 when nothing sounds.

        :raises HandsRefused: there is no such position.
        """
        if not self.state.sounds():
            return 0.0
        return self._set(octave, knob).frequency_hz(self.time_s, cv_v)

    def rail_v(self) -> float:
        """The reference rail, V."""
        return self.state.rail_v()

    def drift_cents_per_minute(self, cv_v: float, octave: str = "0", knob: str = "low") -> float:
        """Rate at which the pitch moves when nobody touches anything, cents/minute (difference over 6 s)."""
        if not self.state.sounds():
            return 0.0
        state = self._set(octave, knob)
        after_hz = state.frequency_hz(self.time_s + DRIFT_SPAN_S, cv_v)
        now_hz = state.frequency_hz(self.time_s, cv_v)
        return CENTS * math.log2(after_hz / now_hz) * 60.0 / DRIFT_SPAN_S

    def source_voltage_v(self, programmed_v: float) -> float:
        """What a programmed voltage is at the source's open terminals, settled, V."""
        return open_circuit_v(self.source, programmed_v)

    def jack_voltage_v(self, programmed_v: float) -> float:
        """What a programmed voltage is at the unit's CV jack, settled, V."""
        return self.jack_share * self.source_voltage_v(programmed_v)

    def warm(self) -> Truth:
        """The same unit as it will be once it is warm and the room is steady."""
        thermal = self.description.thermal
        heat = replace(
            self.state.heat,
            since_s=self.time_s,
            chip_k=thermal.chip_rise_k,
            board_k=thermal.board_rise_k,
            hand_k=-thermal.wander_k * self.state.room.at(self.time_s),
        )
        return replace(self, state=replace(self.state, heat=heat))

    def _set(self, octave: str, knob: str) -> UnitState:
        steps = len(self.description.rail.switch_octaves)
        if octave not in [str(index) for index in range(steps)]:
            raise HandsRefused(f"The octave switch has no position {octave!r}: it has 0 to {steps - 1}.")
        if knob not in KNOB_POSITIONS:
            raise HandsRefused(f"The knob has no position {knob!r}: it has {', '.join(KNOB_POSITIONS)}.")
        # the core's own quick wander is noise, and the truth has none
        still = Wander(())
        return replace(self.state, switch=int(octave), knob=KNOB_POSITIONS[knob], core_wander=still)
