"""Measure everything that is judged, and turn nothing: full sweep, rail, octave steps, knob."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from rig.acquire import sweep
from rig.assess import assess_sweep, tracking_findings
from rig.errors import BenchDoubt, NoDecision, UnitWasOff
from rig.meter_range import configure_range, odd_rail
from rig.recovery import require_sound
from rig.sight import KnobPosition, KnobSight, Known, OctaveSight
from rig.stages.control_findings import (
    RAIL_READINGS,
    control_findings,
    drift_findings,
    stated_for_sweeps,
)
from rig.stages.longer import Looked, Patience, look_longer
from rig.stages.pitch_readings import COVERAGE, NEAR_GUARD_BAND, Aim, Pitch, Read, mean_of, pitch_of, without_drift
from rig.stages.plausible import (
    doubt_about_sweep,
    level_of,
    rail_doubt,
    require_a_plausible_level,
    require_a_plausible_rail,
    require_a_plausible_sweep,
    require_unchanged,
)
from rig.stages.warm_up import expected_frequency_hz
from rig.undecided import readings_worthwhile

if TYPE_CHECKING:
    from uuid import UUID

    from rig.acquire import Acquisition, Point
    from rig.assess import Finding, SweepAssessment
    from rig.budgets import Stated
    from rig.operators.port import Operator
    from rig.records import Recorder
    from rig.science.characterisation import CvCorrection
    from rig.science.tracking import Prior
    from rig.stages.warm_up import WarmedUp

CENTS = 1200.0
KNOB_TRUSTED_CENTS = 3.0
SHORT_SWEEP_POINTS = 7
TRIES = 3
OCTAVE, KNOB = "octave", "knob"
KNOB_LOW, KNOB_MIDDLE, KNOB_HIGH = "low", "middle", "high"
READINGS, FIRST_READINGS = 4, 8
"""Readings at a position, and at the first one: every step is counted from it."""


@dataclass(frozen=True, slots=True)
class Voltage:
    """A voltage, the mean of some readings, with its standard uncertainty."""

    voltage_v: float
    standard_uncertainty_v: float
    readings: int = RAIL_READINGS


@dataclass(frozen=True, slots=True)
class KnobPitches:
    """Pitch at the knob's stops and at its middle."""

    low: Pitch
    middle: Pitch
    high: Pitch

    @property
    def range_octaves(self) -> float:
        """From stop to stop."""
        return self.high.octaves - self.low.octaves

    @property
    def centre_octaves(self) -> float:
        """Middle position against the middle of the stops."""
        return self.middle.octaves - (self.low.octaves + self.high.octaves) / 2.0


@dataclass(frozen=True, slots=True)
class Survey:
    """Everything measured of a unit in one go, with its findings, and the bench by which it was measured."""

    phase: str
    sweep_id: UUID
    assessed: SweepAssessment
    rail: Voltage | None
    octaves: tuple[Pitch, ...]
    knob: KnobPitches | None
    findings: tuple[Finding, ...]
    stated: Stated
    line: CvCorrection

    @property
    def steps_octaves(self) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        """Octave steps from the lowest position, shape (positions - 1,)."""
        return np.array([each.octaves - self.octaves[0].octaves for each in self.octaves[1:]])


def survey(
    acquisition: Acquisition,
    operator: Operator,
    recorder: Recorder,
    phase: str,
    warmed: WarmedUp,
    *,
    soak_s: float = 0.0,
) -> Survey:
    """Measure the whole unit: what needs hands on switch and knob first, the sweep last.

    :param phase: as_found or as_left.
    :param soak_s: hands have just left the board: the sweep waits until so much time has passed.
    :raises NoDecision: the unit drifted too much in every sweep tried.
    :raises BenchDoubt: what was read is the bench's doing, not the unit's.
    :raises SettingsLost: an instrument was switched off and on meanwhile.
    """
    clock = acquisition.bench.clock
    began, patience = clock.now(), Patience(acquisition.measuring.longer_at_most_s)
    at_rest(acquisition, operator)
    rail = read_rail(acquisition, recorder, phase, patience)
    octaves = read_octaves(acquisition, operator, recorder, phase, patience)
    knob = read_knob(acquisition, operator, recorder, phase, patience)
    clock.sleep(soak_s - (clock.now() - began))
    sweep_id, assessed = steady_sweep(acquisition, operator, recorder, phase, drift_known=warmed.steady)
    if rail is not None and octaves:
        require_a_plausible_rail(acquisition, rail.voltage_v, [each.octaves for each in octaves])
    require_sound(acquisition.bench)
    stated = stated_for_sweeps(acquisition)
    first = Looked(assessed, tracking_findings(assessed, acquisition.product, stated, acquisition.line))
    others = (
        *control_findings(acquisition, rail, octaves, knob, assessed.noise_inflation),
        *drift_findings(acquisition, warmed),
    )
    controls = resting_controls(acquisition)
    looked = look_longer(acquisition, operator, recorder, phase, first, others, stated, controls, patience)
    findings = (*looked.findings, *others)
    return Survey(phase, sweep_id, looked.assessed, rail, octaves, knob, findings, stated, acquisition.line)


def at_rest(acquisition: Acquisition, operator: Operator) -> None:
    """Controls as they stand in a sweep: octave switch at its first position, knob at its low stop."""
    controls = acquisition.product.controls
    if acquisition.resting:
        return
    if controls.octave is not None:
        operator.set_control(OCTAVE, controls.octave.positions[0])
    if controls.knob is not None:
        operator.set_control(KNOB, KNOB_LOW)
    acquisition.resting = True


def steady_sweep(
    acquisition: Acquisition, operator: Operator, recorder: Recorder, purpose: str, *, drift_known: bool
) -> tuple[UUID, SweepAssessment]:
    """Full sweep, repeated when the unit drifted more in it than the product allows.

    :param drift_known: False when warm-up ended without success, so that drift is a finding and not a nuisance.
    """
    full, rules = acquisition.product.range, acquisition.product.measuring
    cvs_v = evenly_spread(acquisition, full.points)
    for tried in range(TRIES):
        sweep_id, points = _take(acquisition, operator, recorder, purpose, cvs_v)
        assessed = assess_sweep(points, acquisition.product, acquisition.bench.file, acquisition.line)
        recorder.fit(sweep_id, assessed)
        odd = doubt_about_sweep(acquisition, points)
        if odd and tried < TRIES - 1:
            operator.tell(f"Something is odd ({odd}): the sweep is repeated.")
            continue
        if odd:
            require_a_plausible_sweep(acquisition, operator, points)
        if acquisition.level_octaves is None:
            require_a_plausible_level(acquisition, operator, points)
        acquisition.level_octaves = level_of(acquisition, points)
        doubt = 2.0 * max(assessed.drift_standard_uncertainty) * points[-1].elapsed_s / 60.0
        if assessed.drifted_cents - doubt <= rules.sweep_drift_cents or not drift_known:
            return sweep_id, assessed
        operator.tell(
            f"The unit drifted {assessed.drifted_cents:.1f} cents in the sweep; {rules.sweep_drift_cents:.1f} are "
            "allowed: the sweep is repeated."
        )
    raise NoDecision(
        f"The unit drifted more than {rules.sweep_drift_cents:.1f} cents in each of {TRIES} sweeps: keep "
        "draughts and hands away, let it warm up longer, then scan it again."
    )


def evenly_spread(acquisition: Acquisition, points: int) -> list[float]:
    """Control voltages over the full range, evenly spread in octaves of the law, V."""
    law, full = acquisition.product.law.law(), acquisition.product.range.full
    octaves = np.linspace(float(law.octaves(full.low_v)), float(law.octaves(full.high_v)), points)
    return [min(max(float(each), full.low_v), full.high_v) for each in np.atleast_1d(law.cv_v(octaves))]


@dataclass(frozen=True, slots=True)
class ShortSweep:
    """A few points after a move: fitted with what was known before, and by themselves alone."""

    with_prior: SweepAssessment
    alone: SweepAssessment


def short_sweep(
    acquisition: Acquisition, operator: Operator, recorder: Recorder, purpose: str, prior: Prior
) -> ShortSweep:
    """A few points after a move, fitted with what is known of leakage and dead time, and once without."""
    for tried in range(TRIES):
        cvs_v = evenly_spread(acquisition, SHORT_SWEEP_POINTS)
        sweep_id, points = _take(acquisition, operator, recorder, purpose, cvs_v)
        odd = doubt_about_sweep(acquisition, points)
        if not odd:
            break
        if tried == TRIES - 1:
            require_a_plausible_sweep(acquisition, operator, points)
            raise BenchDoubt(f"Something is odd in each of {TRIES} sweeps ({odd}): see to leads and contacts.")
        operator.tell(f"Something is odd ({odd}): the sweep is repeated.")
    acquisition.level_octaves = level_of(acquisition, points)
    file, line = acquisition.bench.file, acquisition.line
    assessed = assess_sweep(points, acquisition.product, file, line, prior=prior)
    recorder.fit(sweep_id, assessed)
    return ShortSweep(assessed, assess_sweep(points, acquisition.product, file, line))


def _take(
    acquisition: Acquisition, operator: Operator, recorder: Recorder, purpose: str, cvs_v: list[float]
) -> tuple[UUID, list[Point]]:
    sweep_id = recorder.sweep(purpose, resting_controls(acquisition))
    points: list[Point] = []
    total = len(cvs_v) + 4
    rules = acquisition.product.measuring
    for point in sweep(
        acquisition,
        cvs_v,
        lambda cv_v: expected_frequency_hz(acquisition, cv_v),
        uncertainty_cents=rules.uncertainty_cents,
    ):
        recorder.point(sweep_id, len(points), point)
        points.append(point)
        operator.progress(f"sweep {purpose.replace('_', ' ')}", len(points), total)
    return sweep_id, points


def resting_controls(acquisition: Acquisition) -> dict[str, str]:
    """Controls as they stand in a sweep, for the record."""
    controls = acquisition.product.controls
    resting = {}
    if controls.octave is not None:
        resting[OCTAVE] = controls.octave.positions[0]
    if controls.knob is not None:
        resting[KNOB] = KNOB_LOW
    return resting


def read_rail(
    acquisition: Acquisition, recorder: Recorder, purpose: str, patience: Patience | None = None
) -> Voltage | None:
    """Reference rail; None where the product has none.

    :param patience: where the rail is judged: more readings are taken while they help to decide.

    :raises BenchDoubt: its readings are none of a rail, or of another than a moment ago.
    """
    limit = acquisition.product.limits.rail
    if limit is None:
        return None
    meter, role = acquisition.bench.meter, acquisition.bench.file.meter
    for _ in range(TRIES):
        configure_range(meter, role, limit.nominal_v)
        readings = np.array(meter.read_voltages(RAIL_READINGS))
        doubt = rail_doubt(acquisition, readings, limit.nominal_v)
        if not doubt:
            break
    if doubt:
        raise odd_rail(doubt, float(np.mean(readings)), limit.nominal_v)
    acquisition.rail_v = float(np.mean(readings))
    stated_v = role.standard_uncertainty_v(float(np.mean(readings)), acquisition.bench.today, acquisition.ambient_c)
    scatter_v = float(np.std(readings, ddof=1) / np.sqrt(readings.size))
    distance_v = abs(abs(float(np.mean(readings)) - limit.nominal_v) - limit.plus_minus_v)
    if patience is not None and distance_v <= NEAR_GUARD_BAND * COVERAGE * float(np.hypot(scatter_v, stated_v)):
        each_s = role.integration_cycles / role.mains_hz
        more = readings_worthwhile(
            scatter_v, stated_v, distance_v, COVERAGE, taken=readings.size, each_s=each_s, left_s=patience.left_s
        )
        patience.spend(more * each_s)
        readings = np.append(readings, meter.read_voltages(more) if more else [])
        scatter_v = float(np.std(readings, ddof=1) / np.sqrt(readings.size))
    mean_v, uncertainty_v = float(np.mean(readings)), float(np.hypot(scatter_v, stated_v))
    recorder.reading(purpose, "rail", {}, mean_v, "V", uncertainty_v)
    return Voltage(mean_v, uncertainty_v, readings.size)


def read_octaves(
    acquisition: Acquisition,
    operator: Operator,
    recorder: Recorder,
    purpose: str,
    patience: Patience | None = None,
) -> tuple[Pitch, ...]:
    """Pitch at each position of the octave switch; the switch ends at its first position."""
    switch = acquisition.product.controls.octave
    if switch is None:
        return ()
    first = switch.positions[0]
    reads = [_read(acquisition, recorder, purpose, {OCTAVE: first}, switch.read_at_cv_v, 0.0, FIRST_READINGS)]
    known, stood = Known(first, reads[0].pitch.octaves), first
    limit = acquisition.product.limits.octave_step_cents
    for position, octaves in zip(switch.positions[1:], switch.octaves[1:], strict=True):
        _switch_to(acquisition, operator, known, stood, position)
        control, aim = {OCTAVE: position}, Aim(reads[0].pitch, octaves, limit, patience)
        reads.append(_read(acquisition, recorder, purpose, control, switch.read_at_cv_v, octaves, READINGS, aim))
        stood = position
    _switch_to(acquisition, operator, known, stood, first)
    again = _read(acquisition, recorder, purpose, {OCTAVE: first}, switch.read_at_cv_v, 0.0, FIRST_READINGS)
    require_unchanged(reads[0].pitch.octaves, again.pitch.octaves, f"the octave switch at {first}")
    return without_drift(reads, again)


def _switch_to(acquisition: Acquisition, operator: Operator, known: Known, stood: str, position: str) -> None:
    """Have the octave switch moved, and see that it was, or be told so.

    :raises UnitWasOff: the signal was away meanwhile.
    """
    switch = acquisition.product.controls.octave
    if switch is None:
        return
    sight = OctaveSight(acquisition, position, switch.positions, switch.octaves, switch.read_at_cv_v, known, stood)
    acquisition.resting = False
    operator.set_control(OCTAVE, position, sight)
    acquisition.resting = position == switch.positions[0] and not sight.was_off
    if sight.was_off:
        raise UnitWasOff("The unit was off while the octave switch was moved.")


def read_knob(
    acquisition: Acquisition,
    operator: Operator,
    recorder: Recorder,
    purpose: str,
    patience: Patience | None = None,
) -> KnobPitches | None:
    """Pitch at the knob's stops and middle; the knob ends at its low stop."""
    knob = acquisition.product.controls.knob
    if knob is None:
        return None
    reads = [_read(acquisition, recorder, purpose, {KNOB: KNOB_LOW}, knob.read_at_cv_v, 0.0, FIRST_READINGS)]
    low = reads[0].pitch
    for position, share in ((KNOB_MIDDLE, 0.5), (KNOB_HIGH, 1.0)):
        turn_knob(acquisition, operator, position, low, known=False)
        octaves = share * knob.range_octaves
        limit = acquisition.product.limits.knob_range_cents if position == KNOB_HIGH else None
        control, aim = {KNOB: position}, Aim(low, octaves, limit, patience)
        reads.append(_read(acquisition, recorder, purpose, control, knob.read_at_cv_v, octaves, READINGS, aim))
    turn_knob(acquisition, operator, KNOB_LOW, low, known=True)
    again = _read(acquisition, recorder, purpose, {KNOB: KNOB_LOW}, knob.read_at_cv_v, 0.0, FIRST_READINGS)
    require_unchanged(low.octaves, again.pitch.octaves, "the knob at its low stop")
    return KnobPitches(*without_drift(reads, again))


def turn_knob(acquisition: Acquisition, operator: Operator, position: str, low: Pitch, *, known: bool) -> None:
    """Have the knob turned, and see that it was.

    :param low: pitch at its low stop.
    :param known: the pitch at the wanted position was measured in this visit.
    :raises UnitWasOff: the signal was away meanwhile.
    """
    knob = acquisition.product.controls.knob
    if knob is None:
        return
    trusted_cents = KNOB_TRUSTED_CENTS if known else 0.0
    wanted, cv_v = KnobPosition(position), knob.read_at_cv_v
    sight = KnobSight(acquisition, wanted, cv_v, low.octaves, knob.range_octaves, trusted_cents)
    acquisition.resting = False
    operator.set_control(KNOB, position, sight)
    acquisition.resting = position == KNOB_LOW and not sight.was_off
    if sight.was_off:
        raise UnitWasOff("The unit was off while the knob was turned.")


def _read(
    acquisition: Acquisition,
    recorder: Recorder,
    purpose: str,
    control: dict[str, str],
    cv_v: float,
    octaves_up: float,
    readings: int,
    aim: Aim | None = None,
) -> Read:
    expected_hz = expected_frequency_hz(acquisition, cv_v) * 2.0**octaves_up
    wanted_cents, clock = acquisition.measuring.uncertainty_cents, acquisition.bench.clock
    programmed_v, began_s = acquisition.hold(cv_v), clock.now()
    averaged = acquisition.average(programmed_v, expected_hz, wanted_cents, readings=readings)
    pitch = pitch_of(averaged)
    if aim is not None and aim.is_odd(pitch):
        # the same twice is what the unit does; the first may have been a moment of the bench's
        programmed_v = acquisition.hold(cv_v)
        averaged = acquisition.average(programmed_v, expected_hz, wanted_cents, readings=readings)
        pitch = pitch_of(averaged)
    more = aim.more_readings(pitch, averaged.readings_count, averaged.gate_s) if aim is not None else 0
    if more:
        again = pitch_of(acquisition.average(programmed_v, expected_hz, wanted_cents, readings=more))
        pitch = mean_of(pitch, again)
    read = Read(pitch, (began_s + clock.now()) / 2.0)
    controls = {**resting_controls(acquisition), **control}
    recorder.reading(
        purpose,
        f"pitch at {cv_v:g} V",
        controls,
        pitch.octaves,
        "octaves re 1 Hz",
        pitch.standard_uncertainty,
    )
    return read
