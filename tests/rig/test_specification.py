"""What calibrations state: standard uncertainties on a day at a temperature, and specifications that cannot be."""

from datetime import date, timedelta
from math import sqrt

import pytest

from rig.errors import BenchProblem, FileProblem
from rig.specification import (
    Calibration,
    MeterSpecification,
    ReferenceUnit,
    SourceSpecification,
    TimeBaseSpecification,
    calibration_doubt,
)
from rig.tomlfile import check

TODAY = date(2026, 3, 2)


def accuracy(reading: float, of_range: float) -> dict[str, float]:
    return {"percent_of_reading": reading, "percent_of_range": of_range}


def ten_volts(**other: object) -> dict[str, object]:
    return {
        "range_v": 10.0,
        "resolution_v": 1e-5,
        "within_24_hours": accuracy(0.0015, 0.0004),
        "within_90_days": accuracy(0.0020, 0.0005),
        "within_1_year": accuracy(0.0035, 0.0005),
        "per_kelvin": accuracy(0.0005, 0.0001),
    } | other


def calibrated(days_ago: int, lasts: int = 365) -> dict[str, object]:
    on = TODAY - timedelta(days=days_ago)
    return {"on": on, "due": on + timedelta(days=lasts)}


def meter(days_ago: int = 10, **other: object) -> MeterSpecification:
    raw = {"calibration": calibrated(days_ago), "ranges": [ten_volts()]} | other
    return check(raw, MeterSpecification, "bench file")


def time_base(days_ago: int = 0, **other: object) -> TimeBaseSpecification:
    raw = {
        "calibration": calibrated(days_ago),
        "calibration_uncertainty_ppm": 0.2,
        "ageing_ppm_per_year": 1.0,
        "ppm_per_kelvin": 0.05,
        "trigger_jitter_s": 5e-7,
        "resolution_s": 1e-8,
    }
    return check(raw | other, TimeBaseSpecification, "bench file")


def test_a_voltmeters_specification_becomes_a_standard_uncertainty_as_the_gum_has_it():
    # JCGM 100:2008, 4.3.7, example 2: "14e-6 times the reading plus 2e-6 times the range" on the 1 V range, read
    # 0.928571 V: half-width 15 uV, standard uncertainty 8.7 uV
    one_volt = {"range_v": 1.0, "resolution_v": 1e-7, "within_1_year": accuracy(14e-4, 2e-4)}
    uncertainty_v = meter(ranges=[one_volt]).standard_uncertainty_v(0.928571, TODAY)
    assert uncertainty_v == pytest.approx(8.7e-6, abs=0.05e-6)


def test_a_resolution_alone_is_a_rectangle_of_its_own_width():
    # JCGM 100:2008, F.2.2.1: 0.29 of the step
    error = meter().error(meter().ranges[0], TODAY, None)
    assert error.resolution_v == pytest.approx(0.29e-5, abs=0.005e-5)


@pytest.mark.parametrize(("days", "percent"), [(0, 0.0015), (1, 0.0015), (2, 0.0020), (90, 0.0020), (91, 0.0035)])
def test_accuracy_fades_with_the_time_since_calibration(days, percent):
    specification = meter(days_ago=days)
    error = specification.error(specification.ranges[0], TODAY, 23.0)
    assert error.gain == pytest.approx(percent * 1e-2 / sqrt(3.0))


def test_a_warm_room_adds_its_kelvins_beyond_the_window():
    specification = meter()
    inside, outside = (specification.error(specification.ranges[0], TODAY, room) for room in (28.0, 33.0))
    assert outside.gain == pytest.approx(sqrt(inside.gain**2 + (5 * 0.0005e-2) ** 2 / 3))
    assert outside.offset_v == pytest.approx(sqrt(inside.offset_v**2 + (5 * 0.0001e-2 * 10) ** 2 / 3))
    assert specification.standard_uncertainty_v(8.0, TODAY, 13.0) == specification.standard_uncertainty_v(
        8.0, TODAY, 33.0
    )
    assert specification.standard_uncertainty_v(8.0, TODAY, None) == specification.standard_uncertainty_v(
        8.0, TODAY, 23.0
    )


def test_the_smallest_range_that_holds_a_voltage_is_used():
    specification = meter(ranges=[ten_volts(), ten_volts(range_v=1.0, resolution_v=1e-6)])
    assert specification.range_for(-1.1).range_v == 1.0
    assert specification.range_for(1.3).range_v == 10.0
    with pytest.raises(BenchProblem, match="No range of the meter holds 13"):
        specification.range_for(13.0)


def test_a_time_base_ages():
    # 1 ppm a year for two years, as a rectangle, beside half an expanded uncertainty of 0.2 ppm
    aged = time_base(days_ago=730, calibration=calibrated(730, 1000)).time_base_relative(TODAY)
    assert aged == pytest.approx(1e-6 * sqrt(0.1**2 + (730 / 365.25) ** 2 / 3))
    assert time_base(days_ago=0).time_base_relative(TODAY) == pytest.approx(0.1e-6)
    assert time_base(days_ago=0).time_base_relative(TODAY, 38.0) == pytest.approx(1e-6 * sqrt(0.1**2 + 0.5**2 / 3))


def test_what_a_source_may_wander_is_common_to_all_its_settings():
    raw = {"resolution_v": 1e-4, "settling_s": 0.04, "output_resistance_ohm": 1.0, "wander": accuracy(0.003, 0.001)}
    error = check(raw, SourceSpecification, "bench file").wander_error()
    assert error.gain == pytest.approx(3e-5 / sqrt(3.0))
    assert error.offset_v == pytest.approx(1e-4 / sqrt(3.0))


@pytest.mark.parametrize(
    ("calibration", "sentence"),
    [
        (None, "has no calibration date"),
        ({"on": date(2025, 1, 1), "due": date(2026, 1, 1)}, "was due on 2026-01-01"),
        ({"on": date(2026, 6, 1), "due": date(2027, 1, 1)}, "is dated 2026-06-01, which is still to come"),
        ({"days_ago": 400.0, "due_in_days": -35.0}, "was due on 2026-01-26"),
        ({"on": date(2025, 6, 1), "due": TODAY}, ""),
    ],
)
def test_an_instrument_past_due_or_without_a_date_is_doubted_in_one_sentence(calibration, sentence):
    made = None if calibration is None else Calibration(**calibration)
    doubt = calibration_doubt("meter", made, TODAY)
    assert sentence in doubt
    assert bool(doubt) is bool(sentence)


def test_a_meter_without_a_calibration_date_is_taken_at_its_worst():
    undated = meter(calibration=None)
    assert undated.standard_uncertainty_v(8.0, TODAY) == meter(days_ago=200).standard_uncertainty_v(8.0, TODAY)


def test_no_accuracy_is_invented_beyond_the_last_interval():
    specification = meter(days_ago=400)
    with pytest.raises(BenchProblem, match=r"400 days ago.*no accuracy for more than 366"):
        specification.standard_uncertainty_v(1.0, TODAY)


WRONG_METERS = {
    "negative": ({"ranges": [ten_volts(within_1_year=accuracy(-0.0035, 0.0005))]}, "greater than or equal to 0"),
    "a ratio for percent": (
        {"ranges": [ten_volts(within_24_hours=None, within_90_days=None, within_1_year=accuracy(3.5e-5, 5e-6))]},
        "as a ratio instead of percent",
    ),
    "a coarse meter's ratio for percent": (
        {"ranges": [{"range_v": 20.0, "resolution_v": 1e-2, "within_1_year": accuracy(0.001, 0.0005)}]},
        "finer than .* can show.*as a ratio",
    ),
    "parts per million for percent": ({"ranges": [ten_volts(within_1_year=accuracy(35.0, 5.0))]}, "parts per million"),
    "better with age": ({"ranges": [ten_volts(within_90_days=accuracy(0.01, 0.0005))]}, "must not get better"),
    "no interval": (
        {"ranges": [{"range_v": 10.0, "resolution_v": 1e-5}]},
        "needs an accuracy: within_24_hours, within_90_days or within_1_year",
    ),
    "no range": ({"ranges": []}, "at least 1 item"),
    "one range twice": ({"ranges": [ten_volts(), ten_volts()]}, "each range may be given once"),
    "a resolution of a tenth of the range": ({"ranges": [ten_volts(resolution_v=1.0)]}, "fewer than 100 steps"),
    "due before the calibration": (
        {"calibration": {"on": date(2026, 1, 1), "due": date(2025, 1, 1)}},
        "must come after the day of calibration",
    ),
    "half a calibration": ({"calibration": {"on": date(2026, 1, 1)}}, "give on and due"),
    "two ways at once": (
        {"calibration": {"on": date(2026, 1, 1), "due": date(2027, 1, 1), "days_ago": 3.0}},
        "give on and due",
    ),
    "due after the accuracy ends": (
        {"calibration": calibrated(0, lasts=730)},
        "is due after 730 days.*stated for 366 at most",
    ),
    "a window upside down": ({"temperature": {"low_c": 28.0, "high_c": 18.0}}, "must lie below"),
    "a flag for a number": ({"ranges": [ten_volts(range_v=True)]}, "ranges.0.range_v is true"),
    "no number": ({"ranges": [ten_volts(range_v=float("nan"))]}, "finite number"),
    "misspelt": ({"range": []}, "not a field of this file"),
}


@pytest.mark.parametrize(("other", "sentence"), WRONG_METERS.values(), ids=WRONG_METERS.keys())
def test_a_meter_that_cannot_be_is_refused_in_one_sentence(other, sentence):
    with pytest.raises(FileProblem, match=sentence) as problem:
        meter(**other)
    assert "\n" not in str(problem.value)


@pytest.mark.parametrize(
    ("other", "sentence"),
    [
        ({"ageing_ppm_per_year": -1.0}, "greater than or equal to 0"),
        ({"calibration_uncertainty_ppm": 2e-7}, "as a ratio"),
        ({"calibration_uncertainty_ppm": 0.0}, "greater than 0"),
        ({"ageing_ppm_per_year": 5000.0}, "in percent or hertz"),
        ({"trigger_jitter_s": -1e-9}, "greater than or equal to 0"),
    ],
)
def test_a_time_base_that_cannot_be_is_refused_in_one_sentence(other, sentence):
    with pytest.raises(FileProblem, match=sentence):
        time_base(**other)


def test_a_reference_unit_needs_a_serial_and_a_time():
    assert ReferenceUnit(serial="REF-1").every_hours == 24.0
    with pytest.raises(FileProblem, match="greater than 0"):
        check({"serial": "REF-1", "every_hours": 0.0}, ReferenceUnit, "bench file")
