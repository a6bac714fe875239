"""What the netlists' own part values say, by textbook formulas: no simulator and no fit is asked.

Converter: the transistor of J. J. Ebers and J. L. Moll (1954) with the Early effect and the base current of
the charge-control model of H. K. Gummel and H. C. Poon (1970), without high-level injection and without
recombination; forms as in any textbook of analogue circuits (from memory):

    I_C = I_S exp(V_BE / V_T) (1 - V_BC / V_A)        I_B = I_S exp(V_BE / V_T) / beta        V_T = k T / q

with k and q of the SI (2019). Bulk resistance: emitter resistance plus (base + source resistance) / beta.
"""

from collections.abc import Mapping

import numpy as np
from scipy.optimize import brentq

BOLTZMANN_J_PER_K = 1.380649e-23
ELEMENTARY_CHARGE_C = 1.602176634e-19
REFERENCE_V = 10.0
LEAK_SUPPLY_V = 10.0

Parameters = Mapping[str, float]


def thermal_v(part: Parameters) -> float:
    return BOLTZMANN_J_PER_K * (part["celsius"] + 273.15) / ELEMENTARY_CHARGE_C


def source_resistance_ohm(part: Parameters) -> float:
    """Resistance of the common node: all three of its resistors in parallel."""
    return 1.0 / (1.0 / part["r_cv"] + 1.0 / part["r_tune"] + 1.0 / part["r_shunt"])


def drive_v(part: Parameters, cv_v: float) -> float:
    """Voltage of the common node without base current."""
    return source_resistance_ohm(part) * (cv_v / part["r_cv"] + part["v_tune"] / part["r_tune"])


def reference_current_a(part: Parameters) -> float:
    return REFERENCE_V / part["r_ref"]


def bulk_resistance_ohm(part: Parameters) -> float:
    """Emitter resistance, which carries the base current too, plus (base + source resistance) / beta."""
    shared = (part["r_base"] + source_resistance_ohm(part)) / part["beta"]
    return part["r_emitter"] * (1.0 + 1.0 / part["beta"]) + shared


def charge_c(part: Parameters) -> float:
    """Charge of one period: capacitor times threshold."""
    return part["c_ramp"] * part["v_threshold"]


def scale_error_cents_per_octave(part: Parameters) -> float:
    """Core slope against one octave per volt.

    d ln I_C / dV = 1/V_T - 1/V_A: the collector stays at 0 V, so the base drive is also V_BC (Early effect).
    """
    volts_at_base_per_volt = source_resistance_ohm(part) / part["r_cv"]
    octaves_per_volt = volts_at_base_per_volt * (1.0 / thermal_v(part) - 1.0 / part["v_early"]) / np.log(2.0)
    return float(1200.0 * (octaves_per_volt - 1.0))


def pivot_octaves(part: Parameters) -> float:
    """Core pitch with no drive: the reference current, raised by the drop in the first transistor's bulk."""
    reference_a = reference_current_a(part)
    drop_v = reference_a * (part["r_emitter"] * (1.0 + 1.0 / part["beta"]) + part["r_base"] / part["beta"])
    return float(np.log2(reference_a * np.exp(drop_v / thermal_v(part)) / charge_c(part)))


def leakage_hz(part: Parameters) -> float:
    return LEAK_SUPPLY_V / part["r_leak"] / charge_c(part)


def dead_time_s(part: Parameters) -> float:
    """Reset pulse, less what the ramp is spared by starting above 0 V.

    The pulse node p (time constant d) drives the timing node w (time constant T): after the trip
    p = 1 - exp(-t/d), so w = 0.5 at T ln(2 T / (T - d)), and the switch opens d ln 2 after that, when p has
    fallen to 0.5. It leaves I r_on across the capacitor, and the highs resistor adds I r_highs to what the
    comparator sees: the ramp is shorter by (r_on + r_highs) C whatever the current I.
    """
    delay, width = part["t_delay"], part["t_width"]
    pulse_ends_s = width * np.log(2.0 * width / (width - delay)) + delay * np.log(2.0)
    return float(pulse_ends_s - (part["r_on"] + part["r_highs"]) * part["c_ramp"])


def bulk_equivalent_s(part: Parameters) -> float:
    """Dead time that droops like the bulk resistance R: k = R C V / V_T.

    I = I_ideal exp(-I R / V_T), so f exp(k f) = f_ideal, and 1/f = 1/f_ideal + k to first order.
    """
    return bulk_resistance_ohm(part) * charge_c(part) / thermal_v(part)


def bulk_equivalent_doubt_s(part: Parameters, highest_hz: float) -> float:
    """Second-order difference between the two shapes at the top: k * (k f) / 2."""
    return 0.5 * bulk_equivalent_s(part) ** 2 * highest_hz


def closed_form_pitch(part: Parameters, cv_v: float) -> float:
    """Pitch from the transistor equations solved exactly, octaves re 1 Hz."""
    thermal, beta = thermal_v(part), part["beta"]
    reference_a = reference_current_a(part)
    first_drop_v = reference_a * (part["r_emitter"] * (1.0 + 1.0 / beta) + part["r_base"] / beta)
    base_side_ohm = source_resistance_ohm(part) + part["r_base"]

    def excess_v(log_current: float) -> float:
        current_a = float(np.exp(log_current))
        inner_base_v = drive_v(part, cv_v) - current_a / beta * base_side_ohm
        junctions_v = thermal * (log_current - np.log(reference_a * (1.0 - inner_base_v / part["v_early"])))
        return float(inner_base_v - junctions_v - current_a * (1.0 + 1.0 / beta) * part["r_emitter"] + first_drop_v)

    current_a = np.exp(brentq(excess_v, np.log(1e-9), np.log(1e-3), xtol=1e-13))
    total_a = current_a + LEAK_SUPPLY_V / part["r_leak"]
    return -float(np.log2(charge_c(part) / total_a + dead_time_s(part)))
