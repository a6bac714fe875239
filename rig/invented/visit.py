"""One invented visit: measured by physics, judged and recorded by the rig's own code, turned by a hand that errs.

What costs bench time and teaches nothing of a batch is left out: readings of the warm-up, and sweeps between moves.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import log2
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import minimize_scalar

from drivers.virtual.unit import TrimKind as VirtualKind
from rig.assess import assess_sweep, tracking_findings
from rig.diagnosis import dead_cv, dead_output, out_of_travel
from rig.operators.port import TurnEnd
from rig.operators.scripted import ScriptedOperator
from rig.product import StageName, TrimKind
from rig.recommend import RAIL_MARGIN, expected_knowledge, recommend
from rig.records import AS_FOUND, AS_LEFT
from rig.science.drift import DriftRate, is_steady
from rig.science.learning import Belief
from rig.stages.control_findings import control_findings, drift_findings, stated_for_sweeps
from rig.stages.judge import judge, life_finding
from rig.stages.life import Life
from rig.stages.survey import KNOB, OCTAVE, KnobPitches, Survey, evenly_spread, resting_controls
from rig.stages.warm_up import WarmedUp
from rig.visit import concluded
from rig.workflow import Purpose, Work

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from drivers.virtual.live_unit import UnitState
    from rig.acquire import Acquisition, Point
    from rig.assess import Finding
    from rig.diagnosis import Cause
    from rig.invented.bench import InventedBench
    from rig.recommend import Advice, Recommendation
    from rig.records import Recorder
    from rig.stages.judge import Verdict
    from rig.stages.pitch_readings import Pitch

CENTS = 1200.0
DRIFT_SPAN_S = 30.0
RATE_DOUBT = 0.02
"""Standard uncertainty of a drift rate over a window of warm-up, cents a minute."""
LOOK_S, CONNECT_S, MOVE_S, CASE_S = 10.0, 40.0, 11.0, 25.0
HAND_TURNS = {
    TrimKind.SCALE_COMMON: 0.006,
    TrimKind.HIGHS: 0.03,
    TrimKind.BASE: 0.006,
    TrimKind.RAIL: 0.02,
    TrimKind.CENTRE: 0.1,
}
"""How far off a hand leaves a trim, turns (a standard deviation)."""
ROUNDS = 4
LITTLE_TURNS = 0.05
STOPPED_TURNS = 0.3
"""A trim that stays behind by more than a hand errs has met its stop."""
BOTTOM_WEIGHT = 3.0
"""How much more the lowest note counts than another: it is judged as a note of its own."""
KINDS = {
    TrimKind.SCALE_COMMON: VirtualKind.SCALE_COMMON,
    TrimKind.HIGHS: VirtualKind.HIGHS,
    TrimKind.BASE: VirtualKind.BASE,
    TrimKind.RAIL: VirtualKind.RAIL,
    TrimKind.CENTRE: VirtualKind.CENTRE,
}


@dataclass(frozen=True, slots=True)
class Left:
    """How a unit leaves, and what was decided."""

    unit: UnitState
    verdict: Verdict


def set_right(bench: InventedBench, unit: UnitState) -> UnitState:
    """A unit with its tracking turned to where it belongs, by nobody's hand and in no record."""
    kinds = (TrimKind.SCALE_COMMON, TrimKind.HIGHS, TrimKind.BASE)
    for kind, turns in zip(kinds, _best_turns(bench, unit, kinds), strict=True):
        unit = _turned(unit, kind, turns)
    return unit


def invented_visit(
    bench: InventedBench, recorder: Recorder, unit: UnitState, when_found: Callable[[], object] = lambda: None
) -> Left:
    """Measure, adjust and judge one unit; the record holds the visit with its verdict.

    :param unit: as it comes, cold.
    :param when_found: called once the findings as found are kept.
    """
    acquisition = bench.acquisition
    bench.clock.sleep(CONNECT_S)
    if not (unit.description.output.alive and unit.description.input.connected):
        return Left(unit, _lifeless(bench, recorder, unit))
    unit, warmed = warm_up(bench, unit)
    found = _survey(bench, recorder, unit, AS_FOUND, warmed)
    recorder.found(found.findings)
    when_found()
    known = expected_knowledge(acquisition.product)
    advised = recommend(
        acquisition.product,
        found.assessed,
        found.findings,
        found.rail.voltage_v if found.rail is not None else None,
        found.steps_octaves,
        found.knob.centre_octaves if found.knob is not None else None,
        found.knob.middle.octaves if found.knob is not None else None,
        known,
    )
    recorder.recommendation(found.sweep_id, advised)
    work = Work(acquisition, ScriptedOperator(), recorder, Purpose.ADJUST, known, warmed=warmed, found=found)
    work.advised = advised
    if warmed.steady and found.assessed.fits and advised.advice and not advised.causes:
        unit, work.causes = _adjusted(bench, recorder, unit, advised)
        bench.clock.sleep(CASE_S + acquisition.measuring.soak_s)
        work.left = _survey(bench, recorder, unit, AS_LEFT, warmed)
    oscillator = concluded(work, "", ())
    verdict = oscillator.verdict
    recorder.conclude(oscillator.findings, verdict.decision.value, verdict.causes, verdict.reason)
    return Left(unit, verdict)


def _lifeless(bench: InventedBench, recorder: Recorder, unit: UnitState) -> Verdict:
    full, alive = bench.acquisition.product.range.full, unit.description.output.alive
    cvs_v = (full.low_v, (full.low_v + full.high_v) / 2.0, full.high_v)
    due = float(bench.acquisition.product.law.law().octaves(full.high_v - full.low_v))
    pitches = tuple(log2(bench.frequency_hz(unit, cv_v)) if alive else None for cv_v in cvs_v)
    cause = dead_cv(0.0, due) if alive else dead_output()
    bench.clock.sleep(LOOK_S)
    findings = (life_finding(Life(cvs_v, pitches, cause)),)
    recorder.found(findings)
    verdict = judge(findings, [cause], ())
    recorder.conclude(findings, verdict.decision.value, verdict.causes, verdict.reason)
    return verdict


def warm_up(bench: InventedBench, unit: UnitState) -> tuple[UnitState, WarmedUp]:
    """Wait until the drift at both ends, with its doubt, is inside the limit, or for as long as is allowed."""
    product = bench.acquisition.product
    rules, began_s = product.warm_up, bench.clock.now()
    unit = bench.warm_for(unit, 0.0)
    bench.clock.sleep(max(rules.minimum_s, rules.window_s))
    while True:
        rates = [_rate(bench, unit, cv_v) for cv_v in (product.range.full.low_v, product.range.full.high_v)]
        steady = is_steady(rates, product.limits.drift_cents_per_minute)
        duration_s = bench.clock.now() - began_s
        if steady or duration_s >= rules.maximum_s:
            return unit, WarmedUp(rates[0], rates[1], duration_s, steady)
        bench.clock.sleep(rules.interval_s)


def _rate(bench: InventedBench, unit: UnitState, cv_v: float) -> DriftRate:
    now_s = bench.clock.now()
    then_hz, now_hz = (unit.frequency_hz(time_s, cv_v) for time_s in (now_s - DRIFT_SPAN_S, now_s))
    rate = CENTS * log2(now_hz / then_hz) * 60.0 / DRIFT_SPAN_S
    return DriftRate(rate + RATE_DOUBT * float(bench.generator.standard_normal()), RATE_DOUBT)


def _survey(bench: InventedBench, recorder: Recorder, unit: UnitState, phase: str, warmed: WarmedUp) -> Survey:
    """Everything that is judged, as the rig measures it: rail, switch and knob first, the sweep last."""
    acquisition = bench.acquisition
    rail = bench.rail(unit)
    recorder.reading(phase, "rail", {}, rail.voltage_v, "V", rail.standard_uncertainty_v)
    octaves, knob = _octaves(bench, recorder, unit, phase), _knob(bench, recorder, unit, phase)
    sweep_id = recorder.sweep(phase, resting_controls(acquisition))
    points: list[Point] = []
    for point in bench.points(unit, evenly_spread(acquisition, acquisition.product.range.points)):
        recorder.point(sweep_id, len(points), point)
        points.append(point)
    assessed = assess_sweep(points, acquisition.product, acquisition.bench.file, acquisition.line)
    recorder.fit(sweep_id, assessed)
    stated = stated_for_sweeps(acquisition)
    findings: tuple[Finding, ...] = (
        *tracking_findings(assessed, acquisition.product, stated, acquisition.line),
        *control_findings(acquisition, rail, octaves, knob, assessed.noise_inflation),
        *drift_findings(acquisition, warmed),
    )
    return Survey(phase, sweep_id, assessed, rail, octaves, knob, findings, stated, acquisition.line)


def _octaves(bench: InventedBench, recorder: Recorder, unit: UnitState, phase: str) -> tuple[Pitch, ...]:
    switch = bench.acquisition.product.controls.octave
    if switch is None:
        return ()
    pitches = []
    for place, position in enumerate(switch.positions):
        pitch = bench.pitch(replace(unit, switch=place), switch.read_at_cv_v, first=place == 0)
        _keep(bench.acquisition, recorder, phase, {OCTAVE: position}, switch.read_at_cv_v, pitch)
        pitches.append(pitch)
    return tuple(pitches)


def _knob(bench: InventedBench, recorder: Recorder, unit: UnitState, phase: str) -> KnobPitches | None:
    knob = bench.acquisition.product.controls.knob
    if knob is None:
        return None
    hand = knob.repeatability_cents / CENTS / knob.range_octaves * float(bench.generator.standard_normal())
    pitches = []
    for position, travel in (("low", 0.0), ("middle", 0.5 + hand), ("high", 1.0)):
        pitch = bench.pitch(replace(unit, knob=travel), knob.read_at_cv_v, first=travel == 0.0)
        _keep(bench.acquisition, recorder, phase, {KNOB: position}, knob.read_at_cv_v, pitch)
        pitches.append(pitch)
    return KnobPitches(*pitches)


def _keep(
    acquisition: Acquisition, recorder: Recorder, phase: str, control: dict[str, str], cv_v: float, pitch: Pitch
) -> None:
    controls = {**resting_controls(acquisition), **control}
    recorder.reading(
        phase, f"pitch at {cv_v:g} V", controls, pitch.octaves, "octaves re 1 Hz", pitch.standard_uncertainty
    )


def _adjusted(
    bench: InventedBench, recorder: Recorder, unit: UnitState, advised: Recommendation
) -> tuple[UnitState, list[Cause]]:
    """The unit after the moves that were advised, in the order of the product's stages; trims that met their stop."""
    product = bench.acquisition.product
    advice = {product.trims[each.trim].kind: each for each in advised.advice}
    tracking: list[TrimKind] = [
        each for each in (TrimKind.SCALE_COMMON, TrimKind.HIGHS, TrimKind.BASE) if each in advice
    ]
    wanted: dict[TrimKind, float] = dict(zip(tracking, _best_turns(bench, unit, tracking, stops=False), strict=True))
    own_lack: dict[TrimKind, float] = {kind: _lacking(unit, kind, turns) for kind, turns in wanted.items()}
    causes: list[Cause] = []
    for stage in product.stages:
        kind = _TURNED_IN.get(stage)
        if kind is None or kind not in advice:
            continue
        turns = wanted[kind] if kind in wanted else _control_turns(bench, unit, kind)
        hand = HAND_TURNS[kind] * float(bench.generator.standard_normal())
        turned, made = _move(bench, recorder, unit, advice[kind], turns, hand)
        unit = turned
        if abs(turns - made) <= STOPPED_TURNS:
            continue
        lacking = own_lack.get(kind, turns - made)
        if lacking:
            causes.append(out_of_travel(product.trims[advice[kind].trim].label, lacking))
        # the trims that are still to come make up for it as far as they can
        following = tracking[tracking.index(kind) + 1 :] if kind in wanted else []
        wanted |= dict(zip(following, _best_turns(bench, unit, following), strict=True))
    return unit, causes


def _lacking(unit: UnitState, kind: TrimKind, turns: float) -> float:
    """Turns that a trim lacks while the others go where they belong; 0 where its travel is enough."""
    name = unit.description.trim_of(KINDS[kind])
    if name is None:
        return 0.0
    trimmer = unit.trimmers[name]
    wiper = min(max(trimmer.wiper_turns + turns, 0.0), trimmer.turns)
    lacking = trimmer.wiper_turns + turns - wiper
    return lacking if abs(lacking) > STOPPED_TURNS else 0.0


_TURNED_IN = {
    StageName.SCALE: TrimKind.SCALE_COMMON,
    StageName.HIGHS: TrimKind.HIGHS,
    StageName.OCTAVE_STEPS: TrimKind.RAIL,
    StageName.BASE: TrimKind.BASE,
    StageName.KNOB: TrimKind.CENTRE,
}


def _best_turns(bench: InventedBench, unit: UnitState, kinds: Sequence[TrimKind], *, stops: bool = True) -> list[float]:
    """Turns of some trims that bring the tracking nearest to nominal: least squares by Gauss and Newton.

    :param stops: whether a trim ends at its stops; without them one that lacks travel asks nothing of the others.
    """
    product = bench.acquisition.product
    cvs_v = evenly_spread(bench.acquisition, product.range.points)
    nominal = log2(product.range.lowest_note_hz) + np.asarray(product.law.law().octaves(np.array(cvs_v)))
    weights = np.ones(len(cvs_v))
    weights[0] = BOTTOM_WEIGHT

    def errors(turns: np.ndarray[tuple[int], np.dtype[np.float64]]) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        turned = unit
        for kind, each in zip(kinds, turns, strict=True):
            turned = _turned(turned, kind, float(each), stops=stops)
        pitches = np.log2([bench.frequency_hz(turned, cv_v) for cv_v in cvs_v])
        return np.asarray(weights * CENTS * (pitches - nominal))

    turns = np.zeros(len(kinds))
    for _ in range(ROUNDS if kinds else 0):
        here = errors(turns)
        steps = LITTLE_TURNS * np.eye(turns.size)
        slopes = np.stack([(errors(turns + step) - here) / LITTLE_TURNS for step in steps], axis=1)
        turns = turns - np.linalg.lstsq(slopes, here, rcond=None)[0]
    return [float(each) for each in turns]


def _control_turns(bench: InventedBench, unit: UnitState, kind: TrimKind) -> float:
    """Turns of rail and centre: the rail to where the steps want it, the centre to the middle of the stops."""
    product = bench.acquisition.product
    name = unit.description.trim_of(KINDS[kind])
    if name is None:
        return 0.0
    effect = unit.description.trims[name].effect_per_turn
    if kind is TrimKind.CENTRE:
        return -(unit.description.rail.knob_bow_octaves + unit.trim_effect(VirtualKind.CENTRE)) / effect
    switch, limit = product.controls.octave, product.limits.rail
    if switch is None or limit is None:
        return 0.0
    at_v = switch.read_at_cv_v
    pitches = [log2(bench.frequency_hz(replace(unit, switch=place), at_v)) for place in range(len(switch.positions))]
    steps, nominal = np.array(pitches[1:]) - pitches[0], np.array(switch.octaves[1:])

    def worst(share: float) -> float:
        return float(np.max(np.abs((1.0 + share) * steps - nominal)))

    most = RAIL_MARGIN * limit.plus_minus_v / limit.nominal_v
    off = unit.rail_v() / limit.nominal_v - 1.0
    best = minimize_scalar(worst, bounds=(-most - off, most - off), method="bounded", options={"xatol": 1e-8})
    return float(best.x) / effect


def _turned(unit: UnitState, kind: TrimKind, turns: float, *, stops: bool = True) -> UnitState:
    """The unit with a trim turned; its lost motion is taken out by the hand that watches the reading."""
    name = unit.description.trim_of(KINDS[kind])
    if name is None:
        return unit
    trimmer = unit.trimmers[name]
    wiper = trimmer.wiper_turns + turns
    if stops:
        wiper = min(max(wiper, 0.0), trimmer.turns)
    return replace(unit, trimmers={**unit.trimmers, name: replace(trimmer, wiper_turns=wiper)})


def _move(
    bench: InventedBench, recorder: Recorder, unit: UnitState, advice: Advice, turns: float, hand: float
) -> tuple[UnitState, float]:
    """One move, kept as the rig keeps it with what it showed of its trim; the unit after it, and the turns made."""
    product = bench.acquisition.product
    kind = product.trims[advice.trim].kind
    controls = resting_controls(bench.acquisition)
    aimed, turned = _turned(unit, kind, turns), _turned(unit, kind, turns + hand)
    name = unit.description.trim_of(KINDS[kind])
    made_turns = 0.0 if name is None else turned.trimmers[name].wiper_turns - unit.trimmers[name].wiper_turns

    def reading(state: UnitState) -> float:
        if advice.held_cv_v is None:
            return state.rail_v()
        at = replace(state, knob=0.5) if kind is TrimKind.CENTRE else state
        return bench.frequency_hz(at, advice.held_cv_v)

    with recorder.move(advice.trim, reading(aimed), advice.target_unit, advice.held_cv_v, controls, turns) as made:
        stopped = abs(turns - made_turns) > STOPPED_TURNS
        made.outcome = (TurnEnd.END_STOP if stopped else TurnEnd.REACHED).value
        made.before, made.after = reading(unit), reading(turned)
        bench.clock.sleep(MOVE_S + abs(turns))
    _observe(bench, recorder, unit, advice.trim, kind)
    return turned, made_turns


def _observe(bench: InventedBench, recorder: Recorder, unit: UnitState, trim: str, kind: TrimKind) -> None:
    name = unit.description.trim_of(KINDS[kind])
    if name is None:
        return
    effect = unit.description.trims[name].effect_per_turn
    doubt = 0.05 * abs(effect)
    recorder.observation(trim, "gain", Belief(effect + doubt * float(bench.generator.standard_normal()), doubt))
    if kind is TrimKind.SCALE_COMMON:
        pivot = log2(unit.description.core.pivot_hz) + 0.02 * float(bench.generator.standard_normal())
        recorder.observation(trim, "pivot", Belief(pivot, 0.02))
