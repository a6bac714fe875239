"""The physics of the virtual oscillator: one core, a few parameters, a pitch. No state, no noise.

    y0     = log2 base + slope (1 + e_input) x + switch + knob + base trim      octaves re 1 Hz
    y_core = y_p + (1 + e)(1 + e_trim)(1 + alpha dT)(y0 - y_p) + beta dT        pivot y_p
    f_b exp(k f_b) = 2^y_core                                                   bulk resistance
    f_c    = f_b + f_leakage                                                    leakage
    1/f    = 1/f_c + dead time - highs trim                                     reset

x is the law's octaves of CV. The converter's collector current is exponential in its base voltage over kT/q
(C. T. Sah, 1962; any handbook on bipolar circuits); a bulk resistance subtracts a voltage proportional to
that current, which makes the current a Lambert W function of the ideal one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy.special import wrightomega

SHORTEST_PERIOD_S = 1e-7
"""Below this the comparator no longer follows: no highs trim makes a period shorter or negative."""
STEEPEST_OCTAVES = 40.0
"""The core saturates far beyond anything played, so that no voltage makes a number overflow."""


@dataclass(frozen=True, slots=True)
class CoreState:
    """A core between two touches: description, trims and controls reduced to what the pitch depends on.

    :param base_octaves: log2 of the base pitch, all that does not come from the CV (switch, knob, base trim)
        added.
    :param slope: octaves at the summing node per octave of CV.
    :param scale: the converter's own octaves per octave at the summing node, about the pivot; 1 when right.
    :param dead_time_s: dead time less what the highs trim takes.
    """

    base_octaves: float
    slope: float
    pivot_octaves: float
    scale: float
    bulk_per_hz: float
    leakage_hz: float
    dead_time_s: float

    def frequency_hz(self, octaves: float, heat_scale: float = 1.0, shift_octaves: float = 0.0) -> float:
        """Pitch at so many octaves of CV, Hz.

        :param heat_scale: what heat multiplies the scale by, about the pivot.
        :param shift_octaves: shift of the core by heat and its own wander.
        """
        summed = self.base_octaves + self.slope * octaves
        core = self.pivot_octaves + self.scale * heat_scale * (summed - self.pivot_octaves) + shift_octaves
        if not -STEEPEST_OCTAVES <= core <= STEEPEST_OCTAVES:
            core = math.copysign(STEEPEST_OCTAVES, core)
        core_hz = behind_bulk_resistance(2.0**core, self.bulk_per_hz) + self.leakage_hz
        period_s = 1.0 / core_hz + self.dead_time_s
        return 1.0 / (period_s if period_s > SHORTEST_PERIOD_S else SHORTEST_PERIOD_S)


def behind_bulk_resistance(ideal_hz: float, bulk_per_hz: float) -> float:
    """Solve f exp(k f) = f_ideal for f, Hz.

    Source: definition of the Lambert W function, f = W(k f_ideal) / k, on the positive axis as the Wright omega
    function of a logarithm, W(z) = omega(log z) (R. M. Corless et al., 1996; R. M. Corless and D. J. Jeffrey, 2002).
    """
    if bulk_per_hz <= 0.0:
        return ideal_hz
    return float(wrightomega(math.log(bulk_per_hz * ideal_hz))) / bulk_per_hz


def octaves_of_volts(voltage_v: float, volts_per_octave: float) -> float:
    """Octaves of CV of a volts-per-octave law."""
    return voltage_v / volts_per_octave


def octaves_of_hertz_per_volt(voltage_v: float) -> float:
    """Octaves re 1 V of a hertz-per-volt law; at or below 0 V the core is as slow as it gets."""
    return math.log2(voltage_v) if voltage_v > 2.0**-STEEPEST_OCTAVES else -STEEPEST_OCTAVES
