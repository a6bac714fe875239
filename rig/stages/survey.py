"""Measure everything that is judged, and turn nothing: full sweep, rail, octave steps, knob."""

from __future__ import annotations

from dataclasses import dataclass
from math import log, log2, sqrt
from typing import TYPE_CHECKING

import numpy as np

from rig.acquire import sweep
from rig.assess import COVERAGE, assess_sweep, tracking_findings
from rig.errors import BenchDoubt, NoDecision, UnitWasOff
from rig.recovery import require_sound
from rig.sight import KnobPosition, KnobSight, Known, OctaveSight
from rig.stages.control_findings import RAIL_READINGS, control_findings, drift_findings, stated_for_sweeps
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

if TYPE_CHECKING:
    from collections.abc import Sequence
    from uuid import UUID

    from rig.acquire import Acquisition, Averaged, Point
    from rig.assess import Finding, SweepAssessment
    from rig.operators.port import Operator
    from rig.records import Recorder
    from rig.science.tracking import Prior
    from rig.stages.warm_up import WarmedUp

CENTS = 1200.0
KNOB_TRUSTED_CENTS = 3.0
SHORT_SWEEP_POINTS = 7
TRIES = 3
OCTAVE, KNOB = "octave", "knob"
KNOB_LOW, KNOB_MIDDLE, KNOB_HIGH = "low", "middle", "high"
READINGS, FIRST_READINGS, MORE_READINGS = 4, 8, 8
"""Readings at a position, at the first one (every step is counted from it), and more where a decision is near."""
NEAR_GUARD_BAND = 1.5
ODD_CENTS = 100.0
"""A position this far from its nominal pitch is read again before it is believed."""


@dataclass(frozen=True, slots=True)
class Pitch:
    """A pitch with its random standard uncertainty, octaves."""

    octaves: float
    standard_uncertainty: float


@dataclass(frozen=True, slots=True)
class Read:
    """A pitch and when it was read, s on the bench's clock."""

    pitch: Pitch
    time_s: float


@dataclass(frozen=True, slots=True)
class Voltage:
    """A voltage with its standard uncertainty."""

    voltage_v: float
    standard_uncertainty_v: float


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
    """Everything measured of a unit in one go, with its findings."""

    phase: str
    sweep_id: UUID
    assessed: SweepAssessment
    rail: Voltage | None
    octaves: tuple[Pitch, ...]
    knob: KnobPitches | None
    findings: tuple[Finding, ...]

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
    began = clock.now()
    at_rest(acquisition, operator)
    rail = read_rail(acquisition, recorder, phase)
    octaves = read_octaves(acquisition, operator, recorder, phase)
    knob = read_knob(acquisition, operator, recorder, phase)
    clock.sleep(soak_s - (clock.now() - began))
    sweep_id, assessed = steady_sweep(acquisition, operator, recorder, phase, drift_known=warmed.steady)
    if rail is not None and octaves:
        require_a_plausible_rail(acquisition, rail.voltage_v, [each.octaves for each in octaves])
    require_sound(acquisition.bench)
    findings = (
        *tracking_findings(assessed, acquisition.product, stated_for_sweeps(acquisition), acquisition.line),
        *control_findings(acquisition, rail, octaves, knob, assessed.noise_inflation),
        *drift_findings(acquisition, warmed),
    )
    return Survey(phase, sweep_id, assessed, rail, octaves, knob, findings)


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


def read_rail(acquisition: Acquisition, recorder: Recorder, purpose: str) -> Voltage | None:
    """Reference rail; None where the product has none.

    :raises BenchDoubt: its readings are none of a rail, or of another than a moment ago.
    """
    limit = acquisition.product.limits.rail
    if limit is None:
        return None
    meter, role = acquisition.bench.meter, acquisition.bench.file.meter
    for _ in range(TRIES):
        meter.configure_dc(role.range_for(limit.nominal_v).range_v, role.integration_cycles)
        readings = np.array(meter.read_voltages(RAIL_READINGS))
        doubt = rail_doubt(acquisition, readings, limit.nominal_v)
        if not doubt:
            break
    if doubt:
        raise BenchDoubt(f"{doubt}: is the meter's lead on the rail, and does it make contact?")
    acquisition.rail_v = mean_v = float(np.mean(readings))
    stated_v = role.standard_uncertainty_v(mean_v, acquisition.bench.today, acquisition.ambient_c)
    uncertainty_v = float(np.hypot(np.std(readings, ddof=1) / np.sqrt(RAIL_READINGS), stated_v))
    recorder.reading(purpose, "rail", {}, mean_v, "V", uncertainty_v)
    return Voltage(mean_v, uncertainty_v)


def read_octaves(acquisition: Acquisition, operator: Operator, recorder: Recorder, purpose: str) -> tuple[Pitch, ...]:
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
        control, aim = {OCTAVE: position}, _Aim(reads[0].pitch, octaves, limit)
        reads.append(_read(acquisition, recorder, purpose, control, switch.read_at_cv_v, octaves, READINGS, aim))
        stood = position
    _switch_to(acquisition, operator, known, stood, first)
    again = _read(acquisition, recorder, purpose, {OCTAVE: first}, switch.read_at_cv_v, 0.0, FIRST_READINGS)
    require_unchanged(reads[0].pitch.octaves, again.pitch.octaves, f"the octave switch at {first}")
    return without_drift(reads, again)


def without_drift(reads: Sequence[Read], again: Read) -> tuple[Pitch, ...]:
    """Pitches as of one moment, the middle between the first reading and its repetition.

    The first, repeated at the end, says how far the pitch went meanwhile; that is taken as even in time, and how uneven
    it may have been, up to all of it at once, goes into the uncertainty of the others.

    :param reads: the first of them at the position that is read again.
    :returns: the first as the mean of both readings; root sums of squares with it are the uncertainties of differences.
    """
    first = reads[0]
    moved = again.pitch.octaves - first.pitch.octaves
    away_s = again.time_s - first.time_s
    before, after = first.pitch.standard_uncertainty, again.pitch.standard_uncertainty
    reference = (before**2 + after**2) / 4.0
    pitches = [Pitch(first.pitch.octaves + moved / 2.0, sqrt(reference))]
    for each in reads[1:]:
        share = (each.time_s - first.time_s) / away_s if away_s > 0.0 else 0.5
        straight = (1.0 - share) ** 2 * before**2 + share**2 * after**2
        uneven = moved**2 * share * (1.0 - share) / 3.0
        variance = each.pitch.standard_uncertainty**2 + max(0.0, straight - reference) + uneven
        pitches.append(Pitch(each.pitch.octaves - moved * (share - 0.5), sqrt(variance)))
    return tuple(pitches)


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


def read_knob(acquisition: Acquisition, operator: Operator, recorder: Recorder, purpose: str) -> KnobPitches | None:
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
        control, aim = {KNOB: position}, _Aim(low, octaves, limit)
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


@dataclass(frozen=True, slots=True)
class _Aim:
    """What a pitch is counted from, how far from it it should be, and by how much that may be missed."""

    reference: Pitch
    octaves: float
    limit_cents: float | None

    def is_odd(self, pitch: Pitch) -> bool:
        """Whether a pitch is nowhere near what it is aimed at."""
        return CENTS * abs(pitch.octaves - self.reference.octaves - self.octaves) > ODD_CENTS

    def is_near(self, pitch: Pitch) -> bool:
        """Whether the decision on a pitch may fall inside its guard band."""
        if self.limit_cents is None:
            return False
        error_cents = CENTS * abs(pitch.octaves - self.reference.octaves - self.octaves)
        doubt_cents = CENTS * float(np.hypot(pitch.standard_uncertainty, self.reference.standard_uncertainty))
        return abs(error_cents - self.limit_cents) <= NEAR_GUARD_BAND * COVERAGE * doubt_cents


def _read(
    acquisition: Acquisition,
    recorder: Recorder,
    purpose: str,
    control: dict[str, str],
    cv_v: float,
    octaves_up: float,
    readings: int,
    aim: _Aim | None = None,
) -> Read:
    expected_hz = expected_frequency_hz(acquisition, cv_v) * 2.0**octaves_up
    wanted_cents, clock = acquisition.measuring.uncertainty_cents, acquisition.bench.clock
    programmed_v, began_s = acquisition.hold(cv_v), clock.now()
    averaged = acquisition.average(programmed_v, expected_hz, wanted_cents, readings=readings)
    pitch = _pitch_of(averaged)
    if aim is not None and aim.is_odd(pitch):
        # the same twice is what the unit does; the first may have been a moment of the bench's
        programmed_v = acquisition.hold(cv_v)
        pitch = _pitch_of(acquisition.average(programmed_v, expected_hz, wanted_cents, readings=readings))
    if aim is not None and aim.is_near(pitch):
        more = _pitch_of(acquisition.average(programmed_v, expected_hz, wanted_cents, readings=MORE_READINGS))
        pitch = _mean(pitch, more)
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


def _pitch_of(averaged: Averaged) -> Pitch:
    return Pitch(log2(averaged.frequency_hz), averaged.relative_standard_uncertainty / log(2.0))


def _mean(one: Pitch, other: Pitch) -> Pitch:
    """Mean of two readings of one pitch, weighted by their uncertainties."""
    weights = np.array([1.0 / one.standard_uncertainty**2, 1.0 / other.standard_uncertainty**2])
    octaves = float(np.average([one.octaves, other.octaves], weights=weights))
    return Pitch(octaves, float(1.0 / np.sqrt(np.sum(weights))))
