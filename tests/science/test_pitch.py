"""Pitch, cents, notes and laws against tables from outside."""

import numpy as np
import pytest

from rig.science.pitch import (
    HertzPerVolt,
    VoltsPerOctave,
    cents,
    frequency_hz,
    note_name,
    pitch,
    relative_to_cents,
)

# Equal temperament on A4 = 440 Hz (ISO 16:1975), rounded as in handbook tables
EQUAL_TEMPERAMENT_HZ = {
    "A0": 27.500,
    "C1": 32.703,
    "E2": 82.407,
    "C4": 261.626,
    "F#4": 369.994,
    "A4": 440.000,
    "B4": 493.883,
    "C5": 523.251,
    "C8": 4186.009,
}


@pytest.mark.parametrize(("note", "table_hz"), EQUAL_TEMPERAMENT_HZ.items())
def test_a_note_of_the_table_is_named_without_a_deviation(note, table_hz):
    assert note_name(table_hz) == f"{note} +0.0 cents"


def test_twelve_equal_semitones_from_standard_a_make_the_table():
    # A4 = 440 Hz: ISO 16:1975; C4 is nine semitones below, 261.626 Hz in every table
    assert frequency_hz(pitch(440.0) - 9.0 / 12.0) == pytest.approx(261.6256, abs=1e-4)


@pytest.mark.parametrize(
    ("ratio", "table_cents"),
    [
        # Ellis in Helmholtz, On the Sensations of Tone, 2nd ed. 1885, table of intervals (from memory)
        ((2, 1), 1200.000),
        ((3, 2), 701.955),
        ((4, 3), 498.045),
        ((5, 4), 386.314),
        ((81, 80), 21.506),
        ((531441, 524288), 23.460),
    ],
)
def test_intervals_have_the_cents_of_the_table(ratio, table_cents):
    assert cents(*ratio) == pytest.approx(table_cents, abs=5e-4)


def test_a_sharp_note_is_named_with_its_deviation():
    assert note_name(440.0 * 2 ** (3.2 / 1200)) == "A4 +3.2 cents"
    assert note_name(261.6256 * 2 ** (-49 / 1200)) == "C4 -49.0 cents"


def test_a_volt_is_an_octave_so_a_semitone_is_a_twelfth_of_it_and_a_cent_less_than_a_millivolt():
    # common practice: 1 V per octave; 83.33 mV per semitone, 0.8333 mV per cent
    law = VoltsPerOctave(1.0)
    assert 12 * law.octaves(83.333e-3) == pytest.approx(1.0, abs=1e-5)
    assert 1200 * law.octaves(0.8333e-3) == pytest.approx(1.0, abs=1e-4)
    assert 1200 * law.octaves(1e-3) == pytest.approx(1.2)


def test_doubling_the_voltage_of_a_hertz_per_volt_unit_is_an_octave():
    law = HertzPerVolt()
    np.testing.assert_allclose(np.diff(law.octaves([0.5, 1.0, 2.0, 4.0])), 1.0)


@pytest.mark.parametrize("law", [VoltsPerOctave(1.2), HertzPerVolt()])
def test_the_slope_of_a_law_is_its_derivative_and_its_inverse_leads_back(law):
    voltages_v = np.array([0.5, 1.0, 3.0, 8.0])
    step_v = 1e-6
    numerical = (law.octaves(voltages_v + step_v) - law.octaves(voltages_v - step_v)) / (2 * step_v)
    np.testing.assert_allclose(law.octaves_per_volt(voltages_v), numerical, rtol=1e-8)
    np.testing.assert_allclose(law.cv_v(law.octaves(voltages_v)), voltages_v)


def test_a_part_in_a_thousand_is_a_cent_and_three_quarters():
    # 1200 / ln 2 = 1731.2
    assert relative_to_cents(1e-3) == pytest.approx(1.7312, abs=1e-4)


@pytest.mark.parametrize("frequency", [0.0, -1.0, np.nan, np.inf])
def test_what_does_not_oscillate_has_no_pitch(frequency):
    with pytest.raises(ValueError, match="frequency must be above 0 Hz and finite"):
        pitch(frequency)


def test_a_hertz_per_volt_unit_has_no_pitch_at_or_below_zero_volts():
    with pytest.raises(ValueError, match="above 0 V"):
        HertzPerVolt().octaves([1.0, 0.0])


def test_a_law_without_a_slope_is_refused():
    with pytest.raises(ValueError, match="other than 0"):
        VoltsPerOctave(0.0)
