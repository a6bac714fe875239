"""The roles of a bench file: where each instrument is, how its link is set up, and what its calibration states."""

from __future__ import annotations

from math import sqrt
from typing import TYPE_CHECKING, Annotated, Literal, Self

from pydantic import Field, model_validator

from drivers.link import SerialOptions
from rig.bench_profile import LineEnd
from rig.specification import Calibration, MeterSpecification, SourceSpecification, TimeBaseSpecification
from rig.tomlfile import Checked

if TYPE_CHECKING:
    from collections.abc import Mapping

Positive = Annotated[float, Field(gt=0)]
RoleName = Literal["source", "meter", "cv_meter", "counter", "thermometer"]


class SerialLine(Checked):
    """Settings of a serial line; the instrument's own need to be the same."""

    baud_rate: Annotated[int, Field(ge=50, le=4_000_000)] = 9600
    data_bits: Literal[7, 8] = 8
    parity: Literal["none", "odd", "even"] = "none"
    stop_bits: Literal[1, 2] = 1
    flow_control: Literal["none", "xon_xoff", "rts_cts", "dtr_dsr"] = "none"

    def options(self) -> SerialOptions:
        """The same for the driver."""
        return SerialOptions(self.baud_rate, self.data_bits, self.parity, self.stop_bits, self.flow_control)


class InstrumentRole(Checked):
    """Where an instrument is and how its link is set up.

    ``same_as`` names the role that has the instrument already, in place of a ``resource``: both speak over one link.
    ``line_end`` ends messages in both directions; ``channel`` says which output or input is wired, where there are
    several (the profile then knows how it is named).
    """

    resource: str = ""
    same_as: RoleName | None = None
    line_end: LineEnd = "LF"
    serial: SerialLine = SerialLine()
    channel: Annotated[int, Field(ge=1, le=999)] | None = None
    timeout_s: Positive = 5.0

    @model_validator(mode="after")
    def _has_one_place(self) -> Self:
        if bool(self.resource) == (self.same_as is not None):
            raise ValueError("give resource, or same_as with the role whose instrument it shares")
        if self.same_as is not None and self.model_fields_set & {"line_end", "serial"}:
            raise ValueError(f"line_end and serial are those of the {self.same_as}, whose link it shares")
        return self


class SourceRole(InstrumentRole, SourceSpecification):
    """The programmable DC source: what is stated of it, and how much current it may deliver."""

    current_limit_a: Positive | None = None
    timeout_s: Positive = 3.0


class MeterRole(InstrumentRole, MeterSpecification):
    """A digital multimeter: how it is used, and what its calibration states."""

    integration_cycles: Positive = 1.0
    mains_hz: Positive = 50.0


class CounterRole(InstrumentRole, TimeBaseSpecification):
    """The frequency counter: its gates, and what its calibration states."""

    shortest_gate_s: Positive
    longest_gate_s: Positive


class ThermometerRole(InstrumentRole):
    """What tells the temperature of the room: a thermometer, or a meter that reads a probe.

    A ``platinum`` probe is read in ohm, by IEC 60751 from its resistance at 0 degrees Celsius; a ``voltage`` probe in
    volts, by its sensitivity. ``limits_k`` are the limits of error of the whole, as its calibration states them.
    ``query`` is asked where no profile says better.
    """

    calibration: Calibration | None = None
    limits_k: Positive
    kind: Literal["thermometer", "platinum", "voltage"] = "thermometer"
    ohm_at_zero: Positive = 100.0
    volts_at_zero: float = 0.0
    volts_per_kelvin: float | None = None
    query: str = ""

    @model_validator(mode="after")
    def _has_sensitivity(self) -> Self:
        if (self.kind == "voltage") != bool(self.volts_per_kelvin):
            raise ValueError("volts_per_kelvin, which is not 0, belongs to kind = 'voltage', and to no other")
        return self

    @property
    def standard_uncertainty_k(self) -> float:
        """Standard uncertainty of the room's temperature, K: limits of error (JCGM 100:2008, 4.3.7)."""
        return self.limits_k / sqrt(3.0)


_QUESTIONS = {"thermometer": "MEAS:TEMP?", "platinum": "MEAS:RES?", "voltage": "MEAS:VOLT:DC?"}


def question_of(thermometer: ThermometerRole) -> str:
    """What a thermometer that nobody asked for its spelling is asked: the file's own question, or the usual one."""
    if thermometer.query or thermometer.channel is None:
        return thermometer.query or _QUESTIONS[thermometer.kind]
    return f"{_QUESTIONS[thermometer.kind]} (@{thermometer.channel})"


def instrument_of(roles: Mapping[str, InstrumentRole], role: str) -> InstrumentRole:
    """The role that says where the instrument of a role is: itself, or the one whose instrument it shares."""
    same_as = roles[role].same_as
    return roles[role] if same_as is None else roles[same_as]


def require_sharing(roles: Mapping[str, InstrumentRole]) -> None:
    """Let roles pass that share instruments in a way that can work.

    :raises ValueError: they do not; says which.
    """
    for name, role in roles.items():
        owner = roles.get(role.same_as) if role.same_as is not None else role
        if owner is None or owner.same_as is not None or (role.same_as == name):
            raise ValueError(f"{name}.same_as is {role.same_as!r}: name a role of this file that has a resource")
    places = {name: instrument_of(roles, name) for name in roles}
    for name, place in places.items():
        for other, other_place in places.items():
            if other <= name or place.resource != other_place.resource:
                continue
            if (place.line_end, place.serial) != (other_place.line_end, other_place.serial):
                raise ValueError(
                    f"{name} and {other} are one instrument: line_end and serial must be the same for both"
                )
            if {name, other} == {"meter", "cv_meter"} and roles[name].channel == roles[other].channel:
                raise ValueError(
                    "meter and cv_meter are one input, which cannot be on the rail and on the CV: give the second "
                    "meter's resource, or a channel for each"
                )
