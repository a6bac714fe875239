"""The figures of the study as text."""

from __future__ import annotations

from math import inf
from typing import TYPE_CHECKING

import numpy as np

from tests.benchmarks.study.trials import Method

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tests.benchmarks.study.trials import Trial

TRIMS = ("scale", "highs")
PLAYED_OCTAVES = 8.0
GROUPS = ("below", "inside", "above")


def group_of(trial: Trial) -> str:
    """Where the unit's pivot lies, against the played range."""
    octaves = trial.score.pivot_octaves
    return "below" if octaves < 0.0 else "inside" if octaves <= PLAYED_OCTAVES else "above"


def moves_where_touched(trials: Sequence[Trial], trim: str) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Moves of a trim, of those units on which it was touched."""
    return np.array([count for each in trials if (count := each.moves.get(trim, 0))], dtype=np.float64)


def mean_moves(trials: Sequence[Trial], trim: str) -> float:
    """Mean number of moves of a trim where it was touched."""
    counts = moves_where_touched(trials, trim)
    return float(np.mean(counts)) if counts.size else 0.0


def minutes(trials: Sequence[Trial]) -> float:
    """Mean bench minutes a unit, after warm-up."""
    return float(np.mean([each.bench_s for each in trials])) / 60.0


def share_good(trials: Sequence[Trial]) -> float:
    """Share of units with every characteristic inside its limits, by the truth."""
    return float(np.mean([not each.score.outside for each in trials]))


def minutes_a_good(trials: Sequence[Trial]) -> float:
    """Bench minutes for each unit that ends inside its limits; what went into the others is counted."""
    good = share_good(trials)
    return minutes(trials) / good if good else inf


def not_worse(rig: Sequence[Trial], hand: Sequence[Trial]) -> tuple[float, float]:
    """Share of units whose worst error, full and musical range, is within the expanded uncertainty of the hand's."""
    by_serial = {each.serial: each.score for each in hand}
    pairs = [(each, by_serial[each.serial]) for each in rig]
    full = [rigs.score.worst_full_cents <= hands.worst_full_cents + rigs.expanded_full_cents for rigs, hands in pairs]
    musical = [
        rigs.score.worst_musical_cents <= hands.worst_musical_cents + rigs.expanded_musical_cents
        for rigs, hands in pairs
    ]
    return float(np.mean(full)), float(np.mean(musical))


def report(trials: Sequence[Trial]) -> str:
    """Tables of all methods, for all units and by pivot, and the figures to reach."""
    lines = []
    for group in ("all", *GROUPS):
        chosen = [each for each in trials if group in ("all", group_of(each))]
        if chosen:
            lines += _table(chosen, group)
    return "\n".join([*lines, *_figures(trials), *_sensitivity(trials)])


def of(trials: Sequence[Trial], method: Method, *, lenient: bool = False) -> list[Trial]:
    """Trials of one method."""
    return [each for each in trials if each.method is method and each.lenient is lenient]


def both_moves(trials: Sequence[Trial]) -> float:
    """Mean number of moves of scale and highs together, each where it was touched."""
    return sum(mean_moves(trials, trim) for trim in TRIMS)


def _sensitivity(trials: Sequence[Trial]) -> list[str]:
    """What the ratios hang on: when a hand leaves an interval alone."""
    serials = {each.serial for each in trials if each.lenient}
    if not serials:
        return []
    some = [each for each in trials if each.serial in serials]
    taught = of(some, Method.LEARNED)
    lines = [
        f"sensitivity: when a hand leaves an interval alone ({len(serials)} of the units)",
        f"  {'':52s}{'moves of scale, highs, both':>30s}{'over (c): scale, highs, both':>32s}{'minutes':>10s}",
    ]
    for method in (Method.PRACTISED, Method.SKILLED):
        for lenient, words in ((False, "display at the nominal"), (True, "display within 1 cent")):
            by_hand = of(some, method, lenient=lenient)
            moves = [*(mean_moves(by_hand, trim) for trim in TRIMS), both_moves(by_hand)]
            rig = [*(mean_moves(taught, trim) for trim in TRIMS), both_moves(taught)]
            shown = "".join(f"{each:10.2f}" for each in moves)
            ratios = "".join(f"{one / other:10.2f}" for one, other in zip(moves, rig, strict=True))
            lines.append(f"  {method.value + ', ' + words:52s}{shown}  {ratios}{minutes(by_hand):10.1f}")
    return lines


def _table(trials: Sequence[Trial], group: str) -> list[str]:
    units = len(of(trials, Method.COLD))
    title = "all units" if group == "all" else f"pivot {group} the played range"
    lines = [
        f"{title}: {units} units",
        f"  {'':26s}{'scale moves':>22s}{'highs moves':>22s}{'minutes':>16s}{'worst, full':>16s}{'musical':>16s}"
        f"{'good':>8s}",
        f"  {'':26s}{'mean  median  9 of 10':>22s}{'mean  median  9 of 10':>22s}{'a unit  a good':>16s}"
        f"{'median  95 %':>16s}{'median  95 %':>16s}{'units':>8s}",
    ]
    for method in Method:
        chosen = of(trials, method)
        if not chosen:
            continue
        lines.append(
            f"  {method.value:26s}{_moves(chosen, 'scale')}{_moves(chosen, 'highs')}"
            f"{minutes(chosen):9.1f}{minutes_a_good(chosen):7.1f}"
            f"{_errors([each.score.worst_full_cents for each in chosen])}"
            f"{_errors([each.score.worst_musical_cents for each in chosen])}"
            f"{100.0 * share_good(chosen):6.1f} %"
        )
    return lines


def _moves(trials: Sequence[Trial], trim: str) -> str:
    counts = moves_where_touched(trials, trim)
    if not counts.size:
        return f"{'untouched':>22s}"
    return f"{np.mean(counts):8.2f}{np.median(counts):7.0f}{np.percentile(counts, 90):7.0f}"


def _errors(cents: Sequence[float]) -> str:
    return f"{np.median(cents):9.2f}{np.percentile(cents, 95):7.2f}"


def _figures(trials: Sequence[Trial]) -> list[str]:
    practised, skilled, cold, learned = (of(trials, method) for method in Method)
    lines = ["figures to reach (means, of touched trims):"]
    for trim in TRIMS:
        by_hand, by_skill, by_rig, taught = (mean_moves(each, trim) for each in (practised, skilled, cold, learned))
        lines += [
            _figure(f"(c) moves of {trim}", taught, "at most", 1.4),
            _figure(f"(b) moves of {trim}", by_rig, "at most", 2.2),
            _figure(f"(a) over (c), moves of {trim}", by_hand / taught, "at least", 4.0),
            _figure(f"(a') over (c), moves of {trim}", by_skill / taught, "at least", 1.7),
        ]
    full, musical = not_worse(learned, skilled)
    by_hand, by_skill, taught = (both_moves(each) for each in (practised, skilled, learned))
    return [
        *lines,
        _figure("(a) over (c), moves of scale and highs", by_hand / taught, "at least", 4.0),
        _figure("(a') over (c), moves of scale and highs", by_skill / taught, "at least", 1.7),
        _figure("(a) over (c), bench time a unit", minutes(practised) / minutes(learned), "at least", 3.0),
        _figure(
            "(a) over (c), bench time a good unit", minutes_a_good(practised) / minutes_a_good(learned), "at least", 3.0
        ),
        _figure("(c) worst error within (a') and U, full range", full, "at least", 0.99),
        _figure("(c) worst error within (a') and U, musical range", musical, "at least", 0.99),
    ]


def _figure(name: str, value: float, side: str, target: float) -> str:
    reached = value <= target if side == "at most" else value >= target
    return f"  {name:50s}{value:8.3f}   {side} {target:g}: {'reached' if reached else 'NOT reached'}"
