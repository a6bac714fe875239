"""Parts of a unit that may change after it has left: what each moves, what it means, and what to try next."""

from __future__ import annotations

from dataclasses import dataclass
from math import log, log2
from typing import TYPE_CHECKING

import numpy as np

from rig.product import TrimKind, VoltsPerOctaveLaw
from rig.science.change import Part

if TYPE_CHECKING:
    from collections.abc import Mapping

    from rig.product import Product

CENTS = 1200.0
DEAD_TIME_NS, LEAKAGE_MHZ = 300.0, 300.0
"""Sizes of a change worth a return."""
PER_KELVIN = 300e-6
"""Temperature coefficient of scale that a sound, compensated unit may have (from memory: a few hundred ppm/K)."""

CORE, SLOPE, LEAKAGE, DEAD_TIME = "core pitch", "slope", "leakage", "dead time"
RAIL, KNOB_RANGE, KNOB_CENTRE = "rail", "knob range", "knob centre"
DRIFT_LOW, DRIFT_HIGH, NOISE = "drift low", "drift high", "noise"
CV_PATH, BENCH = "cv path", "bench"
CV_CENTS = 4.0
"""Size of a change of the CV on its way to the converter, cents an octave: some 300 ohms before 100 kilohms."""


@dataclass(frozen=True, slots=True)
class Advice:
    """What a suspect means: the part, and the next thing to try."""

    part: str
    try_next: str


ADVICE: Mapping[str, Advice] = {
    "scale": Advice(
        "the volts-per-octave path: SCALE trim, resistors at the CV input, converter",
        "see whether the trim's seal is whole; trim it, warm the board gently, and watch whether scale moves again",
    ),
    CV_PATH: Advice(
        "the CV's way before the converter, as nothing behind it went along: CV jack, CV input resistor (or a SCALE "
        "trim there), the lead that brought the CV",
        "look at the bench's CV lead and source first (rig bench characterise, rig bench verify), then at the unit's "
        "CV jack and input resistor",
    ),
    "highs": Advice(
        "the core's reset: HIGHS trim, comparator, switch, timing capacitor",
        "see whether the trim's seal is whole; look at the reset pulse's width",
    ),
    "leakage": Advice(
        "the converter's output and the timing capacitor: flux residue, moisture, a leaky part",
        "clean and dry the board around the converter, then measure again before replacing the capacitor",
    ),
    "base": Advice(
        "the offset of the pitch: BASE trim, timing capacitor, resistors at the summing node",
        "see whether the trim's seal is whole; re-seat the unit, tap the board, and watch whether the pitch steps",
    ),
    "rail": Advice(
        "the reference rail: reference, RAIL trim, what loads it",
        "measure the rail at the reference itself, with the load off if it can be",
    ),
    "knob": Advice("the frequency knob's track or its fixed resistors", "measure the knob's ends with the power off"),
    "centre": Advice(
        "the knob's middle: CENTRE trim, its resistor, a knob that slipped on its shaft",
        "see whether the knob sits straight on its shaft before anything is turned",
    ),
    "drift": Advice(
        "temperature compensation: its sensor, its thermal joint to the converter",
        "look whether the sensor still touches the converter; measure with the case closed",
    ),
    "noise": Advice(
        "a contact, a joint, a supply: something makes the pitch restless",
        "tap and flex the board gently while 'rig watch' runs; look at the supply rails",
    ),
    BENCH: Advice("the bench itself, not the unit", "run 'rig bench verify' before the unit is touched"),
}
TWO_BENCHES = Advice(
    "the benches and not the unit: the one that it left from and the one that it is on now differ",
    "measure the reference unit on both benches (rig bench verify) before the unit is touched",
)
"""What the bench means as a suspect where a unit left from another one."""


def advice_on(suspect_name: str, *, two_benches: bool = False) -> Advice:
    """What a suspect means.

    :param two_benches: the unit left from another bench than it is on now.
    """
    if suspect_name == BENCH and two_benches:
        return TWO_BENCHES
    if suspect_name.startswith("step "):
        position = suspect_name.removeprefix("step ")
        return Advice(
            f"the divider of octave position {position}: its resistor, or the switch's contact there",
            "move the switch to and fro a few times and measure again: a contact changes, a resistor stays",
        )
    return ADVICE[suspect_name]


TERM_OF = {
    "scale": (SLOPE,),
    CV_PATH: (SLOPE,),
    "highs": (DEAD_TIME,),
    "leakage": (LEAKAGE,),
    "base": (CORE,),
    "rail": (RAIL,),
    "knob": (KNOB_RANGE,),
    "centre": (KNOB_CENTRE,),
    "drift": (DRIFT_LOW, DRIFT_HIGH),
    "noise": (NOISE,),
    BENCH: (CORE, SLOPE, RAIL),
}
UNIT_OF = {
    CORE: ("base", "cents"),
    SLOPE: ("scale", "cents/octave"),
    LEAKAGE: ("leakage", "mHz"),
    DEAD_TIME: ("dead time", "ns"),
    RAIL: ("rail", "%"),
    KNOB_RANGE: ("knob range", "cents"),
    KNOB_CENTRE: ("knob centre", "cents"),
    DRIFT_LOW: ("drift, low end", "cents/min"),
    DRIFT_HIGH: ("drift, high end", "cents/min"),
}


def parts_of(product: Product) -> list[Part]:
    """Parts of this product that may have changed, each with what it would move.

    Sizes are of a fault worth a return.
    """
    switch, knob = product.controls.octave, product.controls.knob
    octaves = dict(zip(switch.positions, switch.octaves, strict=True)) if switch is not None else {}
    steps = {f"step {position}": share for position, share in octaves.items() if share}
    knob_octaves = knob.range_octaves if knob is not None else 0.0
    scale_cents, rail_percent = 8.0, 0.3
    pivot_octaves, pivot_u = _from_pivot(product)
    parts = [
        Part(
            "scale",
            {
                SLOPE: scale_cents,
                CORE: scale_cents * pivot_octaves,
                KNOB_RANGE: scale_cents * knob_octaves,
                **{step: scale_cents * share for step, share in steps.items()},
            },
            also={CORE: scale_cents * pivot_u} if pivot_u else {},
        ),
        Part("highs", {DEAD_TIME: DEAD_TIME_NS, **_bent(product, 0.0, DEAD_TIME_NS)}),
        Part("leakage", {LEAKAGE: LEAKAGE_MHZ, **_bent(product, LEAKAGE_MHZ, 0.0)}),
        Part("base", {CORE: 15.0}),
        Part("drift", {DRIFT_HIGH: 1.5}, also={DRIFT_LOW: 1.0, DRIFT_HIGH: 0.5}),
        Part("noise", {NOISE: 1.2}),
        *(Part(step, {step: 15.0}) for step in steps),
    ]
    if (steps or knob_octaves) and isinstance(product.law, VoltsPerOctaveLaw):
        # only what does not pass the CV input tells it from the scale; a linear CV would shift every pitch alike
        parts.append(Part(CV_PATH, {SLOPE: CV_CENTS}))
    if product.limits.rail is not None:
        per_octave = CENTS * rail_percent / 100.0
        moved = {step: per_octave * share for step, share in steps.items()}
        parts.append(Part("rail", {RAIL: rail_percent, KNOB_RANGE: per_octave * knob_octaves, **moved}))
    if knob is not None:
        parts += [Part("knob", {KNOB_RANGE: 60.0}), Part("centre", {KNOB_CENTRE: 60.0})]
    return parts


def _from_pivot(product: Product) -> tuple[float, float]:
    """How far the base lies above the scale's pivot, octaves, and how well that is known."""
    found = product.trim_of(TrimKind.SCALE_COMMON)
    pivot_hz = found[1].pivot_hz if found is not None else None
    if found is None or pivot_hz is None:
        return 0.0, 0.0
    return log2(product.range.lowest_note_hz / pivot_hz), found[1].pivot_spread_octaves or 0.0


def _bent(product: Product, leakage_mhz: float, dead_time_ns: float) -> dict[str, float]:
    """What more leakage or dead time does to steps and knob, cents: they reach from one pitch to another.

    From 1/f = 1/(f_core + f_leak) + tau, to first order: a pitch rises by f_leak/f - tau f, over ln 2, in octaves.
    """
    law = product.law.law()
    base_x = float(law.octaves(product.range.base_cv_v))

    def at(cv_v: float, octaves: float) -> float:
        pitch_hz = product.range.lowest_note_hz * float(2.0 ** (float(law.octaves(cv_v)) - base_x + octaves))
        return CENTS / log(2.0) * (leakage_mhz * 1e-3 / pitch_hz - dead_time_ns * 1e-9 * pitch_hz)

    switch, knob = product.controls.octave, product.controls.knob
    bent = {}
    if switch is not None:
        for position, octaves in zip(switch.positions, switch.octaves, strict=True):
            if octaves:
                bent[f"step {position}"] = at(switch.read_at_cv_v, octaves) - at(switch.read_at_cv_v, 0.0)
    if knob is not None:
        bent[KNOB_RANGE] = at(knob.read_at_cv_v, knob.range_octaves) - at(knob.read_at_cv_v, 0.0)
    return bent


def ordinary_changes(product: Product, warmer_k: float) -> dict[str, float]:
    """How much a sound unit moves between two visits: transport, ageing, another room (our own choice of sizes)."""
    knob, switch = product.controls.knob, product.controls.octave
    pivot_octaves, pivot_u = _from_pivot(product)
    scale_by_room = CENTS * PER_KELVIN * abs(warmer_k)
    steps = {f"step {position}": 0.3 for position in (switch.positions if switch is not None else ())}
    # a rate when warm depends on how cold it came in: two rates inside the limit do not differ
    drift = product.limits.drift_cents_per_minute
    return {
        CORE: float(np.hypot(3.0, scale_by_room * np.hypot(pivot_octaves, pivot_u))),
        SLOPE: float(np.hypot(0.2, scale_by_room)),
        LEAKAGE: 5.0,
        DEAD_TIME: 15.0,
        RAIL: 0.01,
        KNOB_RANGE: 3.0,
        KNOB_CENTRE: knob.repeatability_cents if knob is not None else 0.0,
        DRIFT_LOW: drift,
        DRIFT_HIGH: drift,
        NOISE: 0.25,
        **steps,
    }


UNKNOWN: dict[str, float] = {
    CORE: 100.0,
    SLOPE: 20.0,
    LEAKAGE: 500.0,
    DEAD_TIME: 1000.0,
    RAIL: 2.0,
    KNOB_RANGE: 200.0,
    KNOB_CENTRE: 200.0,
    DRIFT_LOW: 5.0,
    DRIFT_HIGH: 5.0,
    NOISE: 2.0,
    **{f"step {position}": 50.0 for position in range(10)},
}
"""Sizes of a change that no part of ours explains: whatever a fall or a flood may do."""
