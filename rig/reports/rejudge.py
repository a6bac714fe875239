"""Judging again, and yield against limit: as text, as plain data, as a plot."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rig.counted import counted
from rig.reports.batch_plots import LIMIT_COLOUR, LOUD_COLOUR, POINT_COLOUR, file_name, new_figure, save, words

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from matplotlib.axes import Axes

    from rig.rejudge import CharacteristicYield, Rejudged, YieldOf
    from rig.yield_curve import Needed, YieldCurve

COLUMNS = 4
DEMONSTRATION = "  DEMONSTRATION: invented data"


def rejudged_lines(found: Rejudged, limits_from: str) -> list[str]:
    """Lines for a terminal."""
    lines = [
        f"{_batches(found)}: {counted(found.units, 'unit')} of {found.product}, "
        f"{counted(found.visits, 'judged visit')}, {counted(found.sweeps, 'sweep')} computed anew",
        f"Under {limits_from}; no verdict was touched.{DEMONSTRATION if found.demonstration else ''}",
        *found.remarks,
        "",
        f"{'':<18}{'own limits':<42}other limits",
        f"{'first-pass yield':<18}{_yield(found.first_own):<42}{_yield(found.first_other)}",
        f"{'final yield':<18}{_yield(found.own):<42}{_yield(found.other)}",
        f"{'outright':<18}{f'{found.own.passed} of {found.own.units}':<42}{found.other.passed} of {found.other.units}",
        "",
        f"{'characteristic':<22}{'visits':>7}{'own':>7}{'other':>7}  limits then",
    ]
    lines += [_characteristic(each) for each in found.characteristics]
    if found.moved:
        lines += ["", "Visits that would have been decided otherwise:"]
        lines += [f"  {change}: {count}" for change, count in found.moved.items()]
    lines += ["", "Under their own limits, judging again gives what is recorded."]
    if found.differences:
        lines[-1] = "Under their own limits, judging again does not give what is recorded everywhere:"
        lines += [f"  {each}" for each in found.differences]
    return lines


def _batches(found: Rejudged) -> str:
    if len(found.batches) == 1:
        return f"Batch {found.batches[0]}"
    return f"{len(found.batches)} batches ({found.batches[0]} to {found.batches[-1]})"


def _yield(shown: YieldOf) -> str:
    low, high = shown.share.low or 0.0, 1.0 if shown.share.high is None else shown.share.high
    return (
        f"{100.0 * shown.share.estimate:.1f} % ({shown.accepted} of {shown.units}; {100.0 * low:.1f} to "
        f"{100.0 * high:.1f})"
    )


def _characteristic(each: CharacteristicYield) -> str:
    sides = [
        f"from {each.low:g}" if each.low is not None else "",
        f"to {each.high:g}" if each.high is not None else "",
    ]
    limits = " ".join(side for side in sides if side) or "none"
    return f"{each.name.replace('_', ' '):<22}{each.unit_count:>7}{each.own:>7}{each.other:>7}  {limits}"


def rejudged_document(found: Rejudged, limits_from: str, database: str) -> dict[str, object]:
    """Plain data for programs."""
    return {
        "database": database,
        "batches": list(found.batches),
        "product": found.product,
        "demonstration": found.demonstration,
        "limits_from": limits_from,
        "units": found.units,
        "visits": found.visits,
        "sweeps": found.sweeps,
        "first_pass_yield": {"own": _yield_document(found.first_own), "other": _yield_document(found.first_other)},
        "final_yield": {"own": _yield_document(found.own), "other": _yield_document(found.other)},
        "decided_otherwise": dict(found.moved),
        "characteristics": [
            {
                "characteristic": each.name,
                "visits": each.unit_count,
                "accepted_own": each.own,
                "accepted_other": each.other,
                "lower_limit": each.low,
                "upper_limit": each.high,
            }
            for each in found.characteristics
        ],
        "differences": list(found.differences),
        "remarks": list(found.remarks),
    }


def _yield_document(shown: YieldOf) -> dict[str, object]:
    return {
        "accepted": shown.accepted,
        "passed_outright": shown.passed,
        "units": shown.units,
        "share": shown.share.estimate,
        "low": shown.share.low,
        "high": shown.share.high,
    }


def curve_lines(curves: Sequence[YieldCurve]) -> list[str]:
    """Which limit gives which yield, for a terminal."""
    if not curves:
        return ["", "No unit left the line, so nothing is known of yields against limits."]
    targets = [each.target for each in curves[0].needed]
    heads = "".join(f"  {f'{100 * target:g} %':<28}" for target in targets)
    lines = [
        "",
        "Limit that each yield needs (95 % interval by the number of units) | the same with the guard band held, over",
        "the units that left the line:",
        f"  {'characteristic':<20}{'units':>6}{'now':>10}  {'yield now':<24}{heads}".rstrip(),
    ]
    for each in curves:
        place = int(abs(each.limit - each.present).argmin())
        now = (
            f"{100 * each.accepted[place]:.1f} ({100 * each.accepted_low[place]:.1f} to "
            f"{100 * each.accepted_high[place]:.1f}) | {100 * each.passed[place]:.1f}"
        )
        needed = "".join(f"  {_needed(one):<28}" for one in each.needed)
        shown = f"  {each.name.replace('_', ' ')[:19]:<20}{each.units:>6}{each.present:>10.4g}  {now:<28}{needed}"
        lines.append(shown.rstrip())
    return lines


def _needed(needed: Needed) -> str:
    ends = ["?" if each is None else f"{each:.3g}" for each in (needed.accepted_low, needed.accepted_high)]
    return f"{needed.accepted:.3g} ({ends[0]} to {ends[1]}) | {needed.passed:.3g}"


def curve_document(curves: Sequence[YieldCurve]) -> list[dict[str, object]]:
    """Plain data for programs."""
    return [
        {
            "characteristic": each.name,
            "unit": each.unit,
            "units": each.units,
            "nominal": each.nominal,
            "present_limit": each.present,
            "limit": each.limit.tolist(),
            "accepted": each.accepted.tolist(),
            "accepted_low": each.accepted_low.tolist(),
            "accepted_high": each.accepted_high.tolist(),
            "passed_with_guard_band": each.passed.tolist(),
            "needed": [
                {
                    "yield": one.target,
                    "limit": one.accepted,
                    "low": one.accepted_low,
                    "high": one.accepted_high,
                    "limit_with_guard_band": one.passed,
                }
                for one in each.needed
            ],
        }
        for each in curves
    ]


def plot_curves(curves: Sequence[YieldCurve], found: Rejudged, folder: Path) -> tuple[Path, ...]:
    """Write yield against limit as PNG and SVG.

    :raises OSError: a file cannot be written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    if not curves:
        return ()
    rows = -(-len(curves) // COLUMNS)
    figure = new_figure(3.4 * COLUMNS, 2.5 * rows, _title(found))
    grid = figure.subplots(rows, COLUMNS, squeeze=False)
    for axes in grid.flat[len(curves) :]:
        axes.set_visible(False)
    for axes, each in zip(grid.flat, curves, strict=False):
        _draw(axes, each)
    handles, labels = grid.flat[0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower center", ncols=len(labels), fontsize=8)
    return tuple(save(figure, folder, f"yield-{file_name('-'.join(found.batches))}"))


def _title(found: Rejudged) -> str:
    return f"Yield against limit, {_batches(found)} of {found.product}{DEMONSTRATION if found.demonstration else ''}"


def _draw(axes: Axes, each: YieldCurve) -> None:
    axes.fill_between(
        each.limit, 100.0 * each.accepted_low, 100.0 * each.accepted_high, color=POINT_COLOUR, alpha=0.2, linewidth=0
    )
    axes.plot(each.limit, 100.0 * each.accepted, color=POINT_COLOUR, label="value inside, with 95 % interval")
    axes.plot(each.limit, 100.0 * each.passed, "--", color=LOUD_COLOUR, linewidth=1, label="inside by its uncertainty")
    axes.axvline(each.present, color=LIMIT_COLOUR, linewidth=0.8, linestyle=":", label="limit as given")
    axes.set_title(words(each.name.replace("_", " ")), fontsize=8)
    axes.set_xlabel(words(f"limit / {each.unit}" if each.unit else "limit"), fontsize=7)
    axes.set_ylabel("yield / %", fontsize=7)
    axes.set_ylim(0.0, 103.0)
    axes.tick_params(labelsize=7)
