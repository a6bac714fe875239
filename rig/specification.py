"""What an instrument's calibration states, and the standard uncertainty that follows from it.

Accuracy comes as percent of reading plus percent of range, for each range and for each interval since calibration;
outside a window of temperature a coefficient per kelvin is added; a time base ages. All of these are limits of error:
nothing says where between them the truth lies, so each is taken as a rectangular distribution (JCGM 100:2008, 4.3.7).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from math import hypot, sqrt
from typing import Annotated, Self

from pydantic import Field, model_validator

from rig.errors import BenchProblem
from rig.tomlfile import Checked

Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]

PERCENT = 1e-2
PARTS_PER_MILLION = 1e-6
SQRT3 = sqrt(3.0)
"""Divisor for the half-width of a rectangular distribution (JCGM 100, 4.3.7)."""
SQRT12 = sqrt(12.0)
"""Divisor for its full width, such as a resolution (JCGM 100, F.2.2.1)."""
OVER_RANGE = 1.2
"""Common practice: a range reads to 120 % of its name."""
DAYS_A_YEAR = 365.25
LONGEST_YEAR_DAYS = 366

# Common practice: what DC meters and time bases are worth. Outside of it a number was given in another unit.
LARGEST_PERCENT = 5.0
SMALLEST_PERCENT_A_YEAR = 2e-4
LARGEST_TIME_BASE_PPM = 1000.0
SMALLEST_TIME_BASE_PPM = 1e-6


class Calibration(Checked):
    """When an instrument was calibrated and is due again.

    A demonstration bench may say ``days_ago`` and ``due_in_days`` instead of dates, so that it never falls due.
    """

    on: date | None = None
    due: date | None = None
    days_ago: NotNegative | None = None
    due_in_days: float | None = None

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        dated = self.on is not None and self.due is not None
        relative = self.days_ago is not None and self.due_in_days is not None
        mixed = (self.on is not None or self.due is not None) and (
            self.days_ago is not None or self.due_in_days is not None
        )
        if dated == relative or mixed:
            raise ValueError("give on and due (or, on a demonstration bench, days_ago and due_in_days)")
        if self.lasts_days <= 0:
            raise ValueError(f"due ({self.due or self.due_in_days}) must come after the day of calibration")
        return self

    @property
    def is_relative(self) -> bool:
        """Whether it is counted from today, which only a demonstration bench may do."""
        return self.days_ago is not None

    @property
    def lasts_days(self) -> float:
        """Days from the calibration to the day on which it is due."""
        if self.on is not None and self.due is not None:
            return float((self.due - self.on).days)
        return (self.days_ago or 0.0) + (self.due_in_days or 0.0)

    def dates(self, today: date) -> tuple[date, date]:
        """Day of calibration and day on which it is due."""
        if self.on is not None and self.due is not None:
            return self.on, self.due
        return today - timedelta(days=self.days_ago or 0.0), today + timedelta(days=self.due_in_days or 0.0)

    def age_days(self, today: date) -> float:
        """Days since the calibration; negative for one that lies ahead."""
        return float(self.days_ago) if self.days_ago is not None else float((today - self.dates(today)[0]).days)

    def doubt(self, role: str, today: date) -> str:
        """Why no guarded verdict may rest on it today, in one sentence; empty where one may."""
        on, due = self.dates(today)
        if on > today:
            return f"The {role}'s calibration is dated {on}, which is still to come: check the date in the bench file."
        if due < today:
            return (
                f"The {role}'s calibration was due on {due}: have it calibrated before a guarded verdict rests on it."
            )
        return ""


def calibration_doubt(role: str, calibration: Calibration | None, today: date) -> str:
    """Why no guarded verdict may rest on an instrument today, in one sentence; empty where one may."""
    if calibration is None:
        return f"The {role} has no calibration date in the bench file, so no guarded verdict can rest on it."
    return calibration.doubt(role, today)


class Window(Checked):
    """Temperatures within which an accuracy holds without more, in degrees Celsius."""

    low_c: float
    high_c: float

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if not self.low_c < self.high_c:
            raise ValueError(f"the low temperature ({self.low_c:g}) must lie below the high one ({self.high_c:g})")
        return self

    def outside_k(self, temperature_c: float | None) -> float:
        """How far a temperature lies outside, K; one that nobody measured is taken to lie inside."""
        if temperature_c is None:
            return 0.0
        return max(self.low_c - temperature_c, temperature_c - self.high_c, 0.0)


class Accuracy(Checked):
    """Limits of error: percent of the reading plus percent of the range."""

    percent_of_reading: NotNegative
    percent_of_range: NotNegative

    @model_validator(mode="after")
    def _is_percent(self) -> Self:
        for name, value in (("reading", self.percent_of_reading), ("range", self.percent_of_range)):
            if value > LARGEST_PERCENT:
                raise ValueError(
                    f"{value:g} percent of {name} is more than any meter is off: was it given in parts per million?"
                )
        return self

    def limits_v(self, voltage_v: float, range_v: float) -> float:
        """Largest error permitted, V."""
        return PERCENT * (self.percent_of_reading * abs(voltage_v) + self.percent_of_range * range_v)


class RangeSpecification(Checked):
    """One range of a meter: accuracy by time since calibration, what a kelvin adds, and resolution."""

    range_v: Positive
    resolution_v: Positive
    within_24_hours: Accuracy | None = None
    within_90_days: Accuracy | None = None
    within_1_year: Accuracy | None = None
    per_kelvin: Accuracy = Accuracy(percent_of_reading=0.0, percent_of_range=0.0)

    @property
    def intervals(self) -> tuple[tuple[int, Accuracy], ...]:
        """Accuracies that are stated, with the days since calibration up to which each holds."""
        listed = ((1, self.within_24_hours), (90, self.within_90_days), (LONGEST_YEAR_DAYS, self.within_1_year))
        return tuple((days, accuracy) for days, accuracy in listed if accuracy is not None)

    @model_validator(mode="after")
    def _plausible(self) -> Self:
        name = f"the range of {self.range_v:g} V"
        if not self.intervals:
            raise ValueError(f"{name} needs an accuracy: within_24_hours, within_90_days or within_1_year")
        if self.resolution_v > self.range_v / 100.0:
            raise ValueError(f"a resolution of {self.resolution_v:g} V leaves {name} with fewer than 100 steps")
        limits = [each.limits_v(self.range_v, self.range_v) for _, each in self.intervals]
        if limits != sorted(limits):
            raise ValueError(f"the accuracy of {name} must not get better with the time since calibration")
        if limits[-1] < 0.5 * self.resolution_v:
            raise ValueError(
                f"an accuracy of {limits[-1]:.2g} V is finer than {name} can show ({self.resolution_v:g} V): "
                "was it given as a ratio instead of percent?"
            )
        year = self.within_1_year
        if year is not None and year.percent_of_reading + year.percent_of_range < SMALLEST_PERCENT_A_YEAR:
            raise ValueError(
                f"an accuracy of {year.percent_of_reading:g} percent of reading a year is better than any meter's: "
                "was it given as a ratio instead of percent?"
            )
        return self

    def accuracy(self, age_days: float) -> Accuracy | None:
        """Accuracy so many days after the calibration; None where none is stated any more."""
        return next((accuracy for days, accuracy in self.intervals if age_days <= days), None)


@dataclass(frozen=True, slots=True)
class MeterError:
    """Standard uncertainty of what the readings of one range have in common, and of what each has on its own.

    ``gain`` (relative) and ``offset_v`` are the same for all readings of a range, so that they tie them together
    (JCGM 100, F.1.2.3); they are independent of each other. ``resolution_v`` is each reading's own.
    """

    gain: float
    offset_v: float
    resolution_v: float

    def standard_uncertainty_v(self, voltage_v: float) -> float:
        """Standard uncertainty of one reading alone, V: its limits of error are the sum of both (JCGM 100, 4.3.7)."""
        return hypot(self.gain * abs(voltage_v) + self.offset_v, self.resolution_v)


class MeterSpecification(Checked):
    """A digital multimeter as its calibration states it."""

    calibration: Calibration | None = None
    temperature: Window = Window(low_c=18.0, high_c=28.0)
    ranges: Annotated[tuple[RangeSpecification, ...], Field(min_length=1)]

    @model_validator(mode="after")
    def _covers(self) -> Self:
        widths = [each.range_v for each in self.ranges]
        if len(set(widths)) != len(widths):
            raise ValueError("each range may be given once")
        if self.calibration is None:
            return self
        for each in self.ranges:
            longest = each.intervals[-1][0]
            if self.calibration.lasts_days > longest:
                raise ValueError(
                    f"the calibration is due after {self.calibration.lasts_days:.0f} days, and accuracy in the range "
                    f"of {each.range_v:g} V is stated for {longest} at most: state it, or bring the due date forward"
                )
        return self

    def range_for(self, voltage_v: float) -> RangeSpecification:
        """Smallest range that holds a voltage.

        :raises BenchProblem: none does.
        """
        fitting = [each for each in self.ranges if each.range_v * OVER_RANGE >= abs(voltage_v)]
        if not fitting:
            raise BenchProblem(f"No range of the meter holds {voltage_v:.3f} V: add the range to the bench file.")
        return min(fitting, key=lambda each: each.range_v)

    def error(self, chosen: RangeSpecification, on: date, temperature_c: float | None) -> MeterError:
        """Standard uncertainties of one range on a day, at a temperature.

        :param temperature_c: of the room; None where nobody measured it, which is taken as inside the window.
        :raises BenchProblem: no accuracy is stated for so long after the calibration. Without a calibration date the
            longest interval counts; no guarded verdict rests on it (see :func:`calibration_doubt`).
        """
        age_days = float(chosen.intervals[-1][0]) if self.calibration is None else self.calibration.age_days(on)
        accuracy = chosen.accuracy(age_days)
        if accuracy is None:
            raise BenchProblem(
                f"The meter was calibrated {age_days:.0f} days ago, and its range of {chosen.range_v:g} V has no "
                f"accuracy for more than {chosen.intervals[-1][0]} days: have it calibrated."
            )
        beyond_k = self.temperature.outside_k(temperature_c)
        gain = (accuracy.percent_of_reading, chosen.per_kelvin.percent_of_reading * beyond_k)
        offset = (accuracy.percent_of_range, chosen.per_kelvin.percent_of_range * beyond_k)
        return MeterError(
            gain=hypot(*gain) * PERCENT / SQRT3,
            offset_v=hypot(*offset) * PERCENT * chosen.range_v / SQRT3,
            resolution_v=chosen.resolution_v / SQRT12,
        )

    def standard_uncertainty_v(self, voltage_v: float, on: date, temperature_c: float | None = None) -> float:
        """Standard uncertainty of a reading on the smallest range that holds it, V.

        :raises BenchProblem: no range holds it, or no accuracy is stated for that day.
        """
        return self.error(self.range_for(voltage_v), on, temperature_c).standard_uncertainty_v(voltage_v)


class TimeBaseSpecification(Checked):
    """A frequency counter as its calibration states it: time base, trigger, resolution."""

    calibration: Calibration | None = None
    calibration_uncertainty_ppm: Positive
    """Expanded uncertainty of the time base when it was calibrated, 95 %."""
    ageing_ppm_per_year: NotNegative
    temperature: Window = Window(low_c=18.0, high_c=28.0)
    ppm_per_kelvin: NotNegative = 0.0
    trigger_jitter_s: NotNegative
    resolution_s: NotNegative

    @model_validator(mode="after")
    def _plausible(self) -> Self:
        stated = {
            "calibration_uncertainty_ppm": self.calibration_uncertainty_ppm,
            "ageing_ppm_per_year": self.ageing_ppm_per_year,
            "ppm_per_kelvin": self.ppm_per_kelvin,
        }
        for name, value in stated.items():
            if value > LARGEST_TIME_BASE_PPM:
                raise ValueError(
                    f"{name} of {value:g} is more than any time base is off: was it given in percent or hertz?"
                )
        if self.calibration_uncertainty_ppm < SMALLEST_TIME_BASE_PPM:
            raise ValueError(
                f"calibration_uncertainty_ppm of {self.calibration_uncertainty_ppm:g} is better than any counter's: "
                "was it given as a ratio instead of parts per million?"
            )
        return self

    def time_base_relative(self, on: date, temperature_c: float | None = None) -> float:
        """Relative standard uncertainty of the time base on a day, at a temperature.

        The expanded uncertainty of its calibration is halved (JCGM 100, 4.3.3); what it may have aged since, and what
        a temperature outside the window may do, are limits of error. Without a calibration date a year has passed; no
        guarded verdict rests on it (see :func:`calibration_doubt`).
        """
        years = 1.0 if self.calibration is None else max(self.calibration.age_days(on), 0.0) / DAYS_A_YEAR
        aged = self.ageing_ppm_per_year * years / SQRT3
        heated = self.ppm_per_kelvin * self.temperature.outside_k(temperature_c) / SQRT3
        return PARTS_PER_MILLION * hypot(self.calibration_uncertainty_ppm / 2.0, aged, heated)


class SourceSpecification(Checked):
    """A CV source: how finely it sets, and how far it may wander between two characterisations.

    Its own accuracy does not count, as it is measured; its calibration may be left out.
    """

    calibration: Calibration | None = None
    resolution_v: Positive
    settling_s: NotNegative
    output_resistance_ohm: NotNegative
    wander: Accuracy = Accuracy(percent_of_reading=0.0, percent_of_range=0.0)
    """Percent of setting plus percent of range by which it may wander while a characterisation is valid."""
    range_v: Positive = 10.0

    def wander_error(self) -> MeterError:
        """Standard uncertainty of what may have changed since the characterisation; common to all settings."""
        return MeterError(
            gain=PERCENT * self.wander.percent_of_reading / SQRT3,
            offset_v=PERCENT * self.wander.percent_of_range * self.range_v / SQRT3,
            resolution_v=0.0,
        )


class ReferenceUnit(Checked):
    """The unit that is kept to check a bench by, and how often that is due."""

    serial: Annotated[str, Field(min_length=1, max_length=64)]
    every_hours: Positive = 24.0
