"""Warm-up ends when the unit has stopped drifting, not when a clock says so."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import inf, isfinite, log, log2
from typing import TYPE_CHECKING

import numpy as np

from rig.control_budgets import readings_of_a_window
from rig.science.conformity import GUARD_PROBABILITY
from rig.science.drift import is_steady, rate_of, warm_up_left
from rig.science.uncertainty import coverage_factor

if TYPE_CHECKING:
    from rig.acquire import Acquisition
    from rig.operators.port import Operator
    from rig.records import Recorder
    from rig.science.drift import DriftRate

WATCHED_UNCERTAINTY_CENTS = 0.05
JUMP_OCTAVES = 100.0 / 1200.0
LEAST_READINGS = 4
"""No rate is judged from fewer readings in the window."""
TOLD_SHARE, TOLD_S = 0.5, 60.0
"""A forecast is told again when the end has moved by more than this share of what is left, and a minute."""
LEAST_TOLD_S = 20.0
SECONDS_A_MINUTE = 60.0
TWO_MINUTES = 2.0


@dataclass(frozen=True, slots=True)
class WarmedUp:
    """Drift at the low and the high CV over the last window, and how long warm-up took."""

    low: DriftRate
    high: DriftRate
    duration_s: float
    steady: bool

    @property
    def faster(self) -> DriftRate:
        """The faster of both rates."""
        return max(self.low, self.high, key=lambda rate: abs(rate.rate_cents_per_minute))


@dataclass(slots=True)
class Forecast:
    """How long a warm-up will still take, as the drift dies away; it is told when it is known and when it changes.

    ``left_s`` is infinite while nothing says.
    """

    limit_cents_per_minute: float
    left_s: float = inf
    times_s: list[float] = field(default_factory=list)
    low: list[DriftRate] = field(default_factory=list)
    high: list[DriftRate] = field(default_factory=list)
    told_end_s: float = inf

    def learn(self, middle_s: float, rates: tuple[DriftRate, DriftRate], now_s: float) -> str:
        """Take in the rates of one more window; what there is to say, empty when nothing has changed.

        :param middle_s: middle of the window;  now_s: its end; both from the begin of the warm-up.
        """
        self.times_s.append(middle_s)
        self.low.append(rates[0])
        self.high.append(rates[1])
        left_s = warm_up_left(self.times_s, (self.low, self.high), self.limit_cents_per_minute)
        self.left_s = inf if left_s is None else left_s
        end_s = now_s + self.left_s
        changed = not isfinite(self.told_end_s) or abs(end_s - self.told_end_s) > TOLD_SHARE * (end_s - now_s) + TOLD_S
        if not isfinite(end_s) or self.left_s < LEAST_TOLD_S or not changed:
            return ""
        self.told_end_s = end_s
        minutes = self.left_s / SECONDS_A_MINUTE
        shown = (
            f"{minutes:.0f} minutes" if minutes >= TWO_MINUTES else f"{10.0 * round(self.left_s / 10.0):.0f} seconds"
        )
        return f"Warm-up: about {shown} left, as the drift dies away now."


def warm_up(acquisition: Acquisition, operator: Operator, recorder: Recorder) -> WarmedUp:
    """Watch a low and a high CV until the drift of both, with its uncertainty, stays inside the limit for a window."""
    rules, clock = acquisition.product.warm_up, acquisition.bench.clock
    limit = acquisition.product.limits.drift_cents_per_minute
    full = acquisition.product.range.full
    began = clock.now()
    times: list[float] = []
    forecast = Forecast(limit)
    tracks: dict[float, list[tuple[float, float]]] = {full.low_v: [], full.high_v: []}
    while True:
        times.append(clock.now() - began)
        for cv_v, track in tracks.items():
            expected_hz = 2.0 ** track[-1][0] if track else _expected_hz(acquisition, cv_v)
            _, averaged = acquisition.measure(cv_v, expected_hz, WATCHED_UNCERTAINTY_CENTS)
            if track and abs(log2(averaged.frequency_hz) - track[-1][0]) > JUMP_OCTAVES:
                # no warmth does that in seconds: it is read once more before it is believed
                _, averaged = acquisition.measure(cv_v, expected_hz, WATCHED_UNCERTAINTY_CENTS)
            pitch, uncertainty = (
                log2(averaged.frequency_hz),
                averaged.relative_standard_uncertainty / log(2.0),
            )
            track.append((pitch, uncertainty))
            recorder.reading("warm_up", f"pitch at {cv_v:g} V", {}, pitch, "octaves re 1 Hz", uncertainty)
        elapsed_s = clock.now() - began
        ends_s = round(min(rules.maximum_s, max(rules.minimum_s, elapsed_s + forecast.left_s)))
        operator.progress("warm-up", min(round(elapsed_s), ends_s - 1), ends_s)
        inside = [index for index, time_s in enumerate(times) if time_s >= times[-1] - rules.window_s]
        if elapsed_s >= rules.maximum_s and len(inside) < LEAST_READINGS:
            # an instrument was late: its last readings must do, however far apart they lie
            inside = list(range(len(times)))[-LEAST_READINGS:]
        if times[-1] - times[0] >= rules.window_s and len(inside) >= LEAST_READINGS:
            low, high = (_rate(times, track, inside) for track in tracks.values())
            steady = is_steady((low, high), limit, _coverage(acquisition, len(inside)))
            if (steady and elapsed_s >= rules.minimum_s) or elapsed_s >= rules.maximum_s:
                operator.progress("warm-up", round(rules.maximum_s), round(rules.maximum_s))
                return WarmedUp(low, high, elapsed_s, steady)
            said = forecast.learn((times[inside[0]] + times[-1]) / 2.0, (low, high), times[-1])
            if said:
                operator.tell(said)
        clock.sleep(max(0.0, rules.interval_s - (clock.now() - began - times[-1])))


def _coverage(acquisition: Acquisition, readings: int) -> float:
    """Coverage factor of a rate through so few readings, no smaller than that of the guard band of its finding."""
    judged = readings_of_a_window(acquisition.product)
    return coverage_factor(max(1, min(readings, judged) - 2), GUARD_PROBABILITY)


def _rate(times: list[float], track: list[tuple[float, float]], inside: list[int]) -> DriftRate:
    chosen = np.array([track[index] for index in inside])
    return rate_of(np.array([times[index] for index in inside]), chosen[:, 0], chosen[:, 1])


def _expected_hz(acquisition: Acquisition, cv_v: float) -> float:
    return expected_frequency_hz(acquisition, cv_v)


def expected_frequency_hz(acquisition: Acquisition, cv_v: float) -> float:
    """Nominal frequency at a CV: the lowest note, carried up by the law."""
    law, played = acquisition.product.law.law(), acquisition.product.range
    return float(played.lowest_note_hz * 2.0 ** (law.octaves(cv_v) - law.octaves(played.base_cv_v)))
