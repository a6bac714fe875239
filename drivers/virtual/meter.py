"""The virtual meter: an integrating DC voltmeter whose noise falls with the root of its integration time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from drivers.virtual.parameters import INFINITY, Number, Quoted, real
from drivers.virtual.personality import METERS
from drivers.virtual.randomness import stream
from drivers.virtual.status import Questionable
from drivers.virtual.triggered import Planned, TriggeredDevice
from drivers.virtual.trouble import Kind

if TYPE_CHECKING:
    from drivers.clock import Clock
    from drivers.virtual.configuration import MeterConfiguration, MeterRange
    from drivers.virtual.wiring import Wiring

IDENTITIES = {
    "meter": ("Virtual bench", "voltmeter", "VM-0001", "1.0"),
    "cv meter": ("Virtual bench", "voltmeter", "VM-0002", "1.0"),
}
DIGITS = 9
OVER_RANGE = 1.2
"""Common practice: a range reads to 120 % of its name."""
PPM = 1e-6


@dataclass(frozen=True, slots=True)
class Reading:
    """A reading under way: when it integrates, in which range, and what chance adds.

    :param deviation: standard normal deviate of its noise.
    """

    start_s: float
    end_s: float
    cycles: float
    fixed: MeterRange | None
    deviation: float


@dataclass(frozen=True, slots=True)
class RangeError:
    """How wrong one range of this meter is, within its limits of error."""

    gain: float
    offset_v: float


class VirtualMeter(TriggeredDevice[Reading]):
    """The meter as a SCPI device.

    :param name: which of the two: ``meter``, whose lead is moved, or ``cv meter``, which is always on the CV jack.
    """

    def __init__(
        self,
        clock: Clock,
        wiring: Wiring,
        configuration: MeterConfiguration,
        *,
        latency_s: float,
        seed: int,
        name: str = "meter",
    ) -> None:
        super().__init__(clock, IDENTITIES[name], latency_s, "V", METERS[configuration.personality])
        self._lead_v = wiring.jack_v if name == "cv meter" else wiring.meter_v
        self._wiring = wiring
        self._configuration = configuration
        self._noise = stream(seed, name, "noise")
        drawn = stream(seed, name, "accuracy")
        self._errors = {
            each.range_v: RangeError(
                gain=float(drawn.uniform(-1.0, 1.0)) * each.reading_ppm * PPM,
                offset_v=float(drawn.uniform(-1.0, 1.0)) * each.range_ppm * PPM * each.range_v,
            )
            for each in configuration.ranges
        }
        self._cycles = 1.0
        self._auto_zero = True
        mains_hz = configuration.mains_hz
        self._fixed: MeterRange | None = None
        self._last_range = configuration.ranges[-1]
        widest_v = configuration.ranges[-1].range_v
        expected = Number(-OVER_RANGE * widest_v, OVER_RANGE * widest_v, widest_v, unit="V", optional=True)
        resolution = Number(0.0, widest_v, 0.0, unit="V", optional=True)
        voltage = "[SENSe[1]]:VOLTage[:DC]"
        self.add("CONFigure[:SCALar]:VOLTage[:DC]", self.configure, expected, resolution)
        self.add("CONFigure?", self._answer_configuration)
        self.add("MEASure[:SCALar]:VOLTage[:DC]?", self._measure, expected, resolution, unit="V")
        self.add(
            "[SENSe[1]]:FUNCtion[:ON]",
            self._take_function,
            Quoted({"VOLT": "VOLT", "VOLT:DC": "VOLT", "VOLTAGE": "VOLT", "VOLTAGE:DC": "VOLT"}),
        )
        self.add("[SENSe[1]]:FUNCtion[:ON]?", lambda: '"VOLT"')
        self.add_number(f"{voltage}:NPLCycles", Number(0.02, 100.0, 1.0), self._take_cycles, lambda: self._cycles)
        aperture = Number(0.02 / mains_hz, 100.0 / mains_hz, 1.0 / mains_hz, unit="S")
        self.add_number(
            f"{voltage}:APERture",
            aperture,
            lambda aperture_s: self._take_cycles(aperture_s * mains_hz),
            lambda: self._cycles / mains_hz,
        )
        self.add_boolean(f"{voltage}:ZERO:AUTO", self._take_auto_zero, lambda: self._auto_zero)
        self.add_number(
            f"{voltage}:RANGe[:UPPer]",
            Number(0.0, OVER_RANGE * widest_v, widest_v, unit="V"),
            self._take_range,
            lambda: self._last_range.range_v,
        )
        self.add_boolean(f"{voltage}:RANGe:AUTO", self._take_automatic, lambda: self._fixed is None)

    def reset(self) -> None:
        """DC volts, automatic range, one power-line cycle, one sample."""
        self.configure(None, None)
        self.refresh()

    def plan(self, start_s: float) -> Planned[Reading]:
        """Start one integration."""
        end_s = start_s + self._cycles / self._configuration.mains_hz
        deviation = self._noise.standard_normal()
        return Planned(Reading(start_s, end_s, self._cycles, self._fixed, deviation), end_s)

    def result(self, plan: Reading) -> str:
        """Mean over the integration with errors, noise and resolution of the range; infinity beyond it."""
        true_v = self._wiring.mean(self._lead_v, plan.start_s, plan.end_s)
        if self.ails and Kind.LEAD_OFF in self.ails:
            true_v = 0.0
        chosen = plan.fixed or self._range_for(true_v)
        self._last_range = chosen
        wrong = self._errors[chosen.range_v]
        noise_v = self._configuration.noise_ppm_of_range * PPM * chosen.range_v * plan.cycles**-0.5
        value_v = true_v * (1.0 + wrong.gain) + wrong.offset_v + noise_v * plan.deviation
        if abs(value_v) > OVER_RANGE * chosen.range_v:
            self.status.questionable.pulse(Questionable.VOLTAGE)
            return real(INFINITY if value_v > 0.0 else -INFINITY, DIGITS)
        step_v = self._configuration.resolution_ppm_of_range * PPM * chosen.range_v
        return real(round(value_v / step_v) * step_v, DIGITS)

    def _range_for(self, voltage_v: float) -> MeterRange:
        ranges = self._configuration.ranges
        return next((each for each in ranges if abs(voltage_v) <= OVER_RANGE * each.range_v), ranges[-1])

    def configure(self, expected_v: float | None, _resolution_v: float | None) -> None:
        """CONFigure: range by what is expected, everything else preset."""
        self._fixed = None if expected_v is None else self._range_for(expected_v)
        self._cycles = 1.0
        self.configured()

    def _answer_configuration(self) -> str:
        return f'"VOLT {real(self._last_range.range_v, DIGITS)}"'

    def _measure(self, expected_v: float | None, resolution_v: float | None) -> str:
        self.configure(expected_v, resolution_v)
        return self._initiate_and_fetch()

    def _take_function(self, _function: str) -> None:
        self.forget()

    def _take_cycles(self, cycles: float) -> None:
        self._cycles = cycles
        self.forget()

    def _take_auto_zero(self, on: bool) -> None:
        self._auto_zero = on
        self.forget()

    def _take_range(self, expected_v: float) -> None:
        self._fixed = self._last_range = self._range_for(expected_v)
        self.forget()

    def _take_automatic(self, automatic: bool) -> None:
        self._fixed = None if automatic else self._last_range
        self.forget()
