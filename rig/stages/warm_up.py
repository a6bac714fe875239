"""Warm-up ends when the unit has stopped drifting, not when a clock says so."""

from __future__ import annotations

from dataclasses import dataclass
from math import log, log2
from typing import TYPE_CHECKING

import numpy as np

from rig.control_budgets import readings_of_a_window
from rig.science.drift import is_steady, rate_of
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


def warm_up(acquisition: Acquisition, operator: Operator, recorder: Recorder) -> WarmedUp:
    """Watch a low and a high CV until the drift of both, with its uncertainty, stays inside the limit for a window."""
    rules, clock = acquisition.product.warm_up, acquisition.bench.clock
    limit = acquisition.product.limits.drift_cents_per_minute
    full = acquisition.product.range.full
    began = clock.now()
    times: list[float] = []
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
        operator.progress("warm-up", min(round(elapsed_s), round(rules.maximum_s) - 1), round(rules.maximum_s))
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
        clock.sleep(max(0.0, rules.interval_s - (clock.now() - began - times[-1])))


def _coverage(acquisition: Acquisition, readings: int) -> float:
    """Coverage factor of a rate through so few readings, no smaller than that by which its finding is judged."""
    judged = readings_of_a_window(acquisition.product)
    return coverage_factor(max(1, min(readings, judged) - 2))


def _rate(times: list[float], track: list[tuple[float, float]], inside: list[int]) -> DriftRate:
    chosen = np.array([track[index] for index in inside])
    return rate_of(np.array([times[index] for index in inside]), chosen[:, 0], chosen[:, 1])


def _expected_hz(acquisition: Acquisition, cv_v: float) -> float:
    return expected_frequency_hz(acquisition, cv_v)


def expected_frequency_hz(acquisition: Acquisition, cv_v: float) -> float:
    """Nominal frequency at a CV: the lowest note, carried up by the law."""
    law, played = acquisition.product.law.law(), acquisition.product.range
    return float(played.lowest_note_hz * 2.0 ** (law.octaves(cv_v) - law.octaves(played.base_cv_v)))
