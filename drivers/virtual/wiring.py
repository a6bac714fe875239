"""What is wired to what: source to CV jack, jack to core, output to counter, meter lead to jack or rail.

Voltages follow the source's output and the unit's input as two time constants in a row; every past moment
that a gate may still reach into is remembered, so that a reading taken too early is really wrong.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from operator import attrgetter
from threading import Lock
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from drivers.clock import Clock
    from drivers.virtual.live_unit import LiveUnit, UnitState

METER_PLACES = ("source", "rail")
REMEMBERED_STEPS = 64
SETTLED_TIME_CONSTANTS = 25.0
"""After so many time constants a step of 10 V has less than a nanovolt left."""
MOST_ITERATIONS = 30
CLOSE_CYCLES = 1e-6
CALM_S = 1.0
"""A settled stretch no longer than this only drifts: two nodes integrate it to a ten-thousandth of a cent."""
NOTHING_LEFT_TIME_CONSTANTS = 40.0
"""After so many time constants a step has nothing left that a number here could show."""


def _gauss_legendre(points: int) -> tuple[tuple[float, float], ...]:
    """Abscissae and weights of a Gauss-Legendre rule on 0..1."""
    nodes, weights = np.polynomial.legendre.leggauss(points)
    return tuple(zip((0.5 * (nodes + 1.0)).tolist(), (0.5 * weights).tolist(), strict=True))


PANELS_TIME_CONSTANTS = (0.0, 1.0, 2.0, 4.0, 7.0, 11.0, 16.0)
"""Where the panels of an integral over a step begin: close together at first, when most of it happens."""
CALM_RULE, MOVING_RULE = _gauss_legendre(2), _gauss_legendre(5)


@dataclass(frozen=True)
class Step:
    """Voltages from one change to the next: open-circuit voltage of the source and voltage at the core.

    :param share: voltage at the jack per volt of open-circuit voltage (input against source resistance).
    """

    since_s: float
    target_v: float
    source_v: float
    core_v: float
    share: float
    source_time_constant_s: float
    input_time_constant_s: float

    def source_at(self, time_s: float) -> float:
        """Open-circuit voltage of the source: one time constant."""
        elapsed_s = max(time_s - self.since_s, 0.0)
        return self.target_v + (self.source_v - self.target_v) * math.exp(-elapsed_s / self.source_time_constant_s)

    @cached_property
    def core_at(self) -> Callable[[float], float]:
        """Control voltage at the core at a time: the response of two time constants in a row.

        A function that is made once for a step, as a gate asks for many moments of it.
        """
        since_s, settled_v = self.since_s, self.share * self.target_v
        a, b = self.source_time_constant_s, self.input_time_constant_s
        nothing_left_after_s = NOTHING_LEFT_TIME_CONSTANTS * self._slower_s
        if abs(a - b) < 1e-4 * a:
            b = 1.0001 * a  # equal time constants are the limit of nearly equal ones
        driven_v = self.share * (self.source_v - self.target_v) * a / (a - b)
        own_v = self.core_v - settled_v - driven_v

        def core_at(time_s: float) -> float:
            elapsed_s = time_s - since_s if time_s > since_s else 0.0
            if elapsed_s > nothing_left_after_s:
                return settled_v
            return settled_v + driven_v * math.exp(-elapsed_s / a) + own_v * math.exp(-elapsed_s / b)

        return core_at

    def settled_at_s(self) -> float:
        """When nothing is left of the change."""
        return self.since_s + SETTLED_TIME_CONSTANTS * self._slower_s

    @cached_property
    def calm_at_s(self) -> float:
        """When what is left of the change, a microvolt at most, no longer needs panels of its own."""
        return self.since_s + PANELS_TIME_CONSTANTS[-1] * self._slower_s

    @cached_property
    def panels_s(self) -> tuple[float, ...]:
        """When the panels of an integral over the change begin."""
        return tuple(self.since_s + self._slower_s * count for count in PANELS_TIME_CONSTANTS)

    @property
    def _slower_s(self) -> float:
        return max(self.source_time_constant_s, self.input_time_constant_s)


@dataclass(frozen=True, slots=True)
class SourceTerminals:
    """The source as seen from outside."""

    output_resistance_ohm: float
    time_constant_s: float


class KnownMean(NamedTuple):
    """A mean pitch over a time, and what it holds for: the last state of the unit and the voltages, both unchanged."""

    state: UnitState | None
    steps: list[Step]
    span_s: tuple[float, float]
    mean_hz: float


class Wiring:
    """The wires of the bench. Safe to use from several threads: the list of steps is replaced, never changed."""

    def __init__(self, clock: Clock, source: SourceTerminals) -> None:
        self.unit: LiveUnit | None = None
        self.meter_place = METER_PLACES[0]
        self._clock = clock
        self._source = source
        self._lock = Lock()
        self._steps = [Step(clock.now(), 0.0, 0.0, 0.0, 1.0, source.time_constant_s, source.time_constant_s)]
        self._known: KnownMean | None = None

    def insert(self, unit: LiveUnit) -> None:
        """Connect another unit."""
        self.unit = unit
        self._step(self._steps[-1].target_v)

    def connect_meter(self, place: str) -> None:
        """Move the meter's lead."""
        self.meter_place = place

    def drive(self, target_v: float) -> None:
        """Let the source go to another open-circuit voltage."""
        self._step(target_v)

    def driven_v(self) -> float:
        """Open-circuit voltage that the source goes to."""
        return self._steps[-1].target_v

    def jack_conductance_s(self) -> float:
        """What the CV jack loads the source with, S."""
        return 0.0 if self.unit is None else 1.0 / self.unit.description.input.resistance_ohm

    def jack_share(self) -> float:
        """Voltage at the CV jack per volt of the source's open-circuit voltage."""
        if self.unit is None:
            return 1.0
        resistance_ohm = self.unit.description.input.resistance_ohm
        return resistance_ohm / (resistance_ohm + self._source.output_resistance_ohm)

    def jack_v(self, time_s: float) -> float:
        """Voltage at the CV jack."""
        step = self._step_at(time_s)
        return step.share * step.source_at(time_s)

    def core_v(self, time_s: float) -> float:
        """Control voltage that has reached the core."""
        return self._step_at(time_s).core_at(time_s)

    def settled_at_s(self) -> float:
        """When the last change of the source has died away."""
        return self._steps[-1].settled_at_s()

    def meter_v(self, time_s: float) -> float:
        """Voltage at the meter's lead."""
        if self.meter_place == "source":
            return self.jack_v(time_s)
        return 0.0 if self.unit is None else self.unit.state_at(time_s).rail_v()

    def frequency_hz(self, time_s: float) -> float:
        """Pitch of the unit on the bench at a time, Hz; 0 when nothing sounds."""
        if self.unit is None:
            return 0.0
        state = self.unit.state_at(time_s)
        return state.frequency_hz(time_s, self.core_v(time_s)) if state.sounds() else 0.0

    def _frequency_from(self, start_s: float) -> Callable[[float], float]:
        """:meth:`frequency_hz` for times no earlier than this; where nothing changes after it, nothing is looked up."""
        unit, step = self.unit, self._steps[-1]
        if unit is None or step.since_s > start_s:
            return self.frequency_hz
        state = unit.state
        if state.heat.since_s > start_s or not state.sounds():
            return self.frequency_hz
        frequency_hz, core_at = state.frequency_hz, step.core_at
        return lambda time_s: frequency_hz(time_s, core_at(time_s))

    def sounds(self, time_s: float) -> bool:
        """Whether anything comes out of the unit on the bench at a time."""
        return self.unit is not None and self.unit.state_at(time_s).sounds()

    def mean(self, quantity: Callable[[float], float], start_s: float, end_s: float) -> float:
        """Mean of one of the quantities above over a time, by Gauss-Legendre quadrature between the changes.

        What moves within a change is over after a few time constants, so that part gets panels of its own.
        """
        if end_s <= start_s:
            return quantity(start_s)
        total = 0.0
        calm_from_s = self._steps[-1].calm_at_s
        for low_s, high_s in pairwise(self._edges(start_s, end_s)):
            width_s = high_s - low_s
            for node, weight in CALM_RULE if low_s >= calm_from_s and width_s <= CALM_S else MOVING_RULE:
                total += width_s * weight * quantity(low_s + node * width_s)
        return total / (end_s - start_s)

    def mean_frequency_hz(self, start_s: float, end_s: float) -> float:
        """Mean pitch over a time, Hz; the last one is remembered until something is changed on the bench."""
        state, steps, known = None if self.unit is None else self.unit.state, self._steps, self._known
        if known is not None and known.state is state and known.steps is steps and known.span_s == (start_s, end_s):
            return known.mean_hz
        mean_hz = self.mean(self._frequency_from(start_s), start_s, end_s)
        self._known = KnownMean(state, steps, (start_s, end_s), mean_hz)
        return mean_hz

    def time_after_cycles(self, start_s: float, cycles: float, frequency_hz: float) -> float:
        """When so many cycles of the unit's output are over, counted from a time at which it sounds.

        Newton's method on the phase, whose slope is the frequency; it grows without end, so there is a root.

        :param frequency_hz: about the mean pitch until then.
        """
        end_s = start_s + cycles / frequency_hz
        for _ in range(MOST_ITERATIONS):
            missing = cycles - self.mean_frequency_hz(start_s, end_s) * (end_s - start_s)
            if abs(missing) < CLOSE_CYCLES * max(cycles, 1.0):
                break
            end_s = max(end_s + missing / self.frequency_hz(end_s), start_s)
        return end_s

    def _edges(self, start_s: float, end_s: float) -> list[float]:
        if self._steps[-1].calm_at_s <= start_s:
            return [start_s, end_s]
        edges = {start_s, end_s}
        for step in reversed(self._steps):
            if step.calm_at_s > start_s:
                edges.update(each_s for each_s in step.panels_s if start_s < each_s < end_s)
            if step.since_s <= start_s:
                # what came before it is in the voltages that it began with
                break
        return sorted(edges)

    def _step_at(self, time_s: float) -> Step:
        steps = self._steps
        if steps[-1].since_s <= time_s:
            return steps[-1]
        return steps[max(bisect_right(steps, time_s, key=attrgetter("since_s")) - 1, 0)]

    def _step(self, target_v: float) -> None:
        with self._lock:
            now_s, last = self._clock.now(), self._steps[-1]
            time_constant_s = self._source.time_constant_s
            step = Step(
                since_s=now_s,
                target_v=target_v,
                source_v=last.source_at(now_s),
                core_v=last.core_at(now_s),
                share=self.jack_share(),
                source_time_constant_s=time_constant_s,
                input_time_constant_s=time_constant_s
                if self.unit is None
                else self.unit.description.input.time_constant_s,
            )
            self._steps = [*self._steps[-REMEMBERED_STEPS:], step]
