"""Pitch, cents and notes, and the law by which a control voltage becomes pitch.

Pitch y is the base-2 logarithm of the frequency in hertz: one unit is one octave. A law maps a control
voltage to x, in octaves; a perfect unit has y = constant + x.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Array = NDArray[np.float64]

CENTS_PER_OCTAVE = 1200.0
"""A. J. Ellis, 1885: a hundred to the equal semitone."""

STANDARD_TUNING_HZ = 440.0
"""The A above middle C, ISO 16:1975."""

MIDI_NUMBER_OF_STANDARD_A = 69
SEMITONES_PER_OCTAVE = 12
NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")


@dataclass(frozen=True, slots=True)
class VoltsPerOctave:
    """Exponential law: equal voltages make equal intervals (common practice: 1 V per octave)."""

    volts_per_octave: float

    def __post_init__(self) -> None:
        if not (np.isfinite(self.volts_per_octave) and self.volts_per_octave != 0.0):
            raise ValueError(f"volts per octave must be a finite number other than 0, not {self.volts_per_octave!r}")

    def octaves(self, cv_v: ArrayLike) -> Array:
        """Nominal octaves re 0 V at a control voltage."""
        return np.asarray(_finite(cv_v, "control voltage") / self.volts_per_octave)

    def octaves_per_volt(self, cv_v: ArrayLike) -> Array:
        """Slope of the law at a control voltage, octaves per volt."""
        return np.full_like(_finite(cv_v, "control voltage"), 1.0 / self.volts_per_octave)

    def cv_v(self, octaves: ArrayLike) -> Array:
        """Control voltage for nominal octaves, V."""
        return np.asarray(_finite(octaves, "pitch in octaves") * self.volts_per_octave)


@dataclass(frozen=True, slots=True)
class HertzPerVolt:
    """Linear law: frequency is proportional to the control voltage, so an octave is a doubling of it."""

    def octaves(self, cv_v: ArrayLike) -> Array:
        """Nominal octaves re 1 V at a control voltage.

        :raises ValueError: a voltage is not above 0 V, where this law gives no pitch.
        """
        return np.asarray(np.log2(_positive(cv_v, "control voltage of a hertz-per-volt unit", "V")))

    def octaves_per_volt(self, cv_v: ArrayLike) -> Array:
        """Slope of the law at a control voltage, octaves per volt.

        :raises ValueError: a voltage is not above 0 V.
        """
        voltage_v = _positive(cv_v, "control voltage of a hertz-per-volt unit", "V")
        return np.asarray(1.0 / (voltage_v * np.log(2.0)))

    def cv_v(self, octaves: ArrayLike) -> Array:
        """Control voltage for nominal octaves re 1 V, V."""
        return np.asarray(np.exp2(_finite(octaves, "pitch in octaves")))


Law: TypeAlias = VoltsPerOctave | HertzPerVolt


def pitch(frequency_hz: ArrayLike) -> Array:
    """Pitch in octaves re 1 Hz.

    :raises ValueError: a frequency is not positive and finite.
    """
    return np.asarray(np.log2(_positive(frequency_hz, "frequency", "Hz")))


def frequency_hz(pitch_octaves: ArrayLike) -> Array:
    """Frequency of a pitch given in octaves re 1 Hz."""
    return np.asarray(np.exp2(_finite(pitch_octaves, "pitch")))


def cents(frequency_hz: ArrayLike, reference_hz: ArrayLike) -> Array:
    """Interval from reference to frequency, in cents (1200 to the octave).

    Shapes broadcast. Source: definition of the cent, A. J. Ellis, 1885.
    :raises ValueError: a frequency is not positive and finite.
    """
    return np.asarray(CENTS_PER_OCTAVE * (pitch(frequency_hz) - pitch(reference_hz)))


def relative_to_cents(relative: ArrayLike) -> Array:
    """Small relative change (or uncertainty) of frequency in cents: 1200 / ln 2 = 1731.2 times as large."""
    return np.asarray(np.asarray(relative, dtype=np.float64) * (CENTS_PER_OCTAVE / np.log(2.0)))


def note_name(frequency_hz: float) -> str:
    """Nearest equal-tempered note and the distance from it, such as ``A4 +3.2 cents`` (A4 = 440 Hz, ISO 16).

    :raises ValueError: the frequency is not positive and finite.
    """
    semitones = SEMITONES_PER_OCTAVE * float(pitch(frequency_hz) - pitch(STANDARD_TUNING_HZ))
    nearest = round(semitones)
    octave, step = divmod(MIDI_NUMBER_OF_STANDARD_A + nearest, SEMITONES_PER_OCTAVE)
    distance = round(100.0 * (semitones - nearest), 1)
    return f"{NAMES[step]}{octave - 1} {distance + 0.0:+.1f} cents"


def _finite(values: ArrayLike, what: str) -> Array:
    array = np.asarray(values, dtype=np.float64)
    if not np.isfinite(array).all():
        raise ValueError(f"{what} must be finite; leave out readings that failed")
    return array


def _positive(values: ArrayLike, what: str, unit: str) -> Array:
    array = np.asarray(values, dtype=np.float64)
    good = np.isfinite(array) & (array > 0.0)
    if not good.all():
        worst = float(array[~good].flat[0])
        raise ValueError(f"{what} must be above 0 {unit} and finite, not {worst:g} {unit}")
    return array
