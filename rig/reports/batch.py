"""A batch as text for a terminal, and as plain data for programs."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rig.batch_charts import chance_signals, charts_say, odd_units
from rig.counted import counted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from db.batches import BatchLine
    from rig.batch import BatchReport, Yield
    from rig.batch_charts import Characteristic, Charted
    from rig.science.capability import Capability, Interval
    from rig.science.conformity import Limits
    from rig.science.control_chart import Chart

BAR = 30
"""Width of the longest bar of the Pareto."""
MOST_UNITS = 8


def batches_lines(lines: Sequence[BatchLine]) -> list[str]:
    """The list of batches."""
    if not lines:
        return ["No batch is recorded yet."]
    shown = [f"{'batch':<14}{'units':>6}{'visits':>7}  {'first':<10}  {'last':<10}  product"]
    for each in lines:
        first, last = ("-" if at is None else f"{at:%Y-%m-%d}" for at in (each.first_utc, each.last_utc))
        mark = "  [demonstration]" if each.demonstration else ""
        shown.append(
            f"{each.batch_code:<14}{each.units:>6}{each.visits:>7}  {first:<10}  {last:<10}  {each.product}{mark}"
        )
    return shown


def batches_document(lines: Sequence[BatchLine], database: str) -> dict[str, object]:
    """The list of batches as plain data."""
    return {
        "database": database,
        "batches": [
            {
                "batch": each.batch_code,
                "product": each.product,
                "units": each.units,
                "visits": each.visits,
                "first_utc": None if each.first_utc is None else each.first_utc.isoformat(),
                "last_utc": None if each.last_utc is None else each.last_utc.isoformat(),
                "demonstration": each.demonstration,
            }
            for each in lines
        ],
    }


def batch_lines(report: BatchReport) -> list[str]:
    """One product of a batch, for a terminal."""
    mark = "  DEMONSTRATION: invented data" if report.demonstration else ""
    lines = [f"Batch {report.batch_code}: {counted(report.units, 'unit')} of {report.product}{mark}"]
    if report.first_utc is not None and report.last_utc is not None:
        lines.append(f"{report.first_utc:%Y-%m-%d} to {report.last_utc:%Y-%m-%d}, on {', '.join(report.benches)}")
    lines += [*report.remarks, ""]
    lines += _counts(report)
    lines += _pareto(report)
    if report.characteristics:
        lines += _capabilities(report)
        lines += _charts(report.characteristics)
    return lines


def _counts(report: BatchReport) -> list[str]:
    visits = ", ".join(f"{count} {purpose}" for purpose, count in sorted(report.visits.items())) or "none"
    lines = [f"Visits            {visits}" + (f"; {report.unfinished} without a verdict" if report.unfinished else "")]
    if report.first_pass is not None and report.final is not None:
        lines += [
            f"First-pass yield  {_yield(report.first_pass)}",
            f"Final yield       {_yield(report.final)}",
            f"Retests           {report.retests}",
        ]
    if report.came_back:
        lines.append(f"Came back         {counted(report.came_back, 'unit')} after having passed (not in the yields)")
    if report.minutes is not None:
        spent = report.minutes
        lines.append(
            f"Minutes a unit    {spent.median:.1f} in the middle, {spent.low:.1f} to {spent.high:.1f} for four of "
            f"five; {spent.total / 60.0:.1f} bench hours in all"
        )
    for number, each in enumerate(report.moves):
        head = "Moves a visit     " if number == 0 else " " * 18
        lines.append(
            f"{head}{each.trim:<12} {each.mean:.2f} in the mean, {each.most} at most; moved in {each.visits_moved} of "
            f"{each.visits}"
        )
    return lines


def _yield(shown: Yield) -> str:
    low, high = shown.share.low or 0.0, shown.share.high if shown.share.high is not None else 1.0
    return (
        f"{100.0 * shown.share.estimate:.1f} %  ({shown.passed} of {shown.judged}; 95 %: {100.0 * low:.1f} to "
        f"{100.0 * high:.1f} %)"
    )


def _pareto(report: BatchReport) -> list[str]:
    if not report.causes:
        return []
    lines = ["", f"Failed visits by cause ({report.failed_visits} failed; one may name several):"]
    most = report.causes[0].visits
    for each in report.causes:
        later = f", {each.passed_later} passed later" if each.passed_later else ""
        bar = "#" * max(1, round(BAR * each.visits / most))
        lines.append(
            f"  {each.cause.label[:38]:<38} {each.visits:>4} {bar:<{BAR}} {counted(each.units, 'unit')}{later}"
        )
    return lines


def _capabilities(report: BatchReport) -> list[str]:
    lines = [
        "",
        "Capability as left, with 95 % intervals (ISO 22514-2):",
        f"  {'characteristic':<20}{'n':>5}{'mean':>11}{'spread':>9}  {'limits':<18} {'Ppk':<23}{'Cpk':<23}{'Pp':<6}Cp",
    ]
    for each in report.characteristics:
        held = each.capability
        if held is None:
            lines.append(f"  {each.label[:19]:<20}{0:>5}  no value as left of a unit without a faulty part")
            continue
        lines.append(
            f"  {each.label[:19]:<20}{held.count:>5}{held.mean:>11.4g}{held.standard_deviation:>9.2g}  "
            f"{_limits(each.limits):<18} {_index(held.ppk):<23}{_index(held.cpk):<23}"
            f"{_short(held.pp):<6}{_short(held.cp):<6}".rstrip()
        )
        if held.why:
            lines.append(f"    {held.why}")
        if each.as_left is not None and each.as_left.shift is not None:
            lines.append("    not steady (see below): the indices tell of what was, and promise nothing")
        if each.limits_changed:
            lines.append("    its limits changed within the batch; those of the last unit are used")
    return [*lines, *(f"  {note}" for note in capability_notes(report))]


def capability_notes(report: BatchReport) -> list[str]:
    """Which units are not in the capability, and why; empty where all are in it."""
    notes = []
    left_out = max((each.left_out for each in report.characteristics), default=0)
    if left_out:
        are = "is" if left_out == 1 else "are"
        notes.append(
            f"{counted(left_out, 'unit')} with a faulty part {are} left out: capability is that of the process without."
        )
    shelved = max((each.shelved for each in report.characteristics), default=0)
    if shelved:
        causes = "; ".join(f"{count} for {label}" for label, count in report.shelved_causes)
        notes.append(
            f"{counted(shelved, 'unit')} shelved as found {'is' if shelved == 1 else 'are'} not in it: {causes}."
        )
    return notes


def _limits(limits: Limits) -> str:
    low, high = limits.low, limits.high
    if low is None:
        return f"up to {high:g}"
    return f"from {low:g}" if high is None else f"{low:g} to {high:g}"


def _index(index: Interval | None) -> str:
    if index is None:
        return "not stated"
    low, high = ("?" if bound is None else f"{bound:.2f}" for bound in (index.low, index.high))
    return f"{index.estimate:.2f} ({low} to {high})"


def _short(index: Interval | None) -> str:
    return "-" if index is None else f"{index.estimate:.2f}"


def _charts(characteristics: Sequence[Characteristic]) -> list[str]:
    lines = ["", "Control charts (individuals and moving range, cumulative sums; unit by unit):"]
    lines += [f"  {sentence}" for sentence in charts_say(characteristics)]
    beyond, by_chance = chance_signals(characteristics)
    odd = odd_units(characteristics, MOST_UNITS)
    lines.append(
        f"  Beyond three standard deviations: {counted(beyond, 'point')}, where chance alone puts about "
        f"{by_chance:.0f}." + (" Farthest from a level that had not moved:" if odd else "")
    )
    for each in odd:
        more = f", and {each.more} more" if each.more else ""
        lines.append(
            f"    {each.serial}  {each.phase}, {each.label}: {each.standard_deviations:+.1f} standard deviations{more}"
        )
    return lines


def batch_document(report: BatchReport) -> dict[str, object]:
    """One product of a batch as plain data, with every point of every chart."""
    return {
        "batch": report.batch_code,
        "product": report.product,
        "demonstration": report.demonstration,
        "units": report.units,
        "benches": list(report.benches),
        "first_utc": None if report.first_utc is None else report.first_utc.isoformat(),
        "last_utc": None if report.last_utc is None else report.last_utc.isoformat(),
        "remarks": list(report.remarks),
        "visits": dict(report.visits),
        "visits_without_verdict": report.unfinished,
        "first_pass_yield": _yield_document(report.first_pass),
        "final_yield": _yield_document(report.final),
        "retests": report.retests,
        "units_that_came_back": report.came_back,
        "minutes_a_unit": None
        if report.minutes is None
        else {
            "median": report.minutes.median,
            "tenth": report.minutes.low,
            "nine_tenths": report.minutes.high,
            "total": report.minutes.total,
        },
        "moves": [
            {
                "trim": each.trim,
                "moves": each.moves,
                "visits": each.visits,
                "visits_moved": each.visits_moved,
                "mean": each.mean,
                "most": each.most,
            }
            for each in report.moves
        ],
        "failed_visits": report.failed_visits,
        "causes": [
            {
                "cause": each.cause.label,
                "fault": None if each.cause.fault is None else each.cause.fault.value,
                "where": each.cause.where,
                "visits": each.visits,
                "units": each.units,
                "units_passed_later": each.passed_later,
            }
            for each in report.causes
        ],
        "characteristics": [_characteristic_document(each) for each in report.characteristics],
        "capability_notes": capability_notes(report),
        "charts_say": list(charts_say(report.characteristics)) if report.characteristics else [],
    }


def _yield_document(shown: Yield | None) -> dict[str, object] | None:
    if shown is None:
        return None
    return {"passed": shown.passed, "judged": shown.judged, **_interval_document(shown.share, "share")}


def _interval_document(index: Interval, name: str = "estimate") -> dict[str, object]:
    return {name: index.estimate, "low": index.low, "high": index.high}


def _characteristic_document(each: Characteristic) -> dict[str, object]:
    return {
        "characteristic": each.name,
        "unit": each.unit,
        "lower_limit": each.limits.low,
        "upper_limit": each.limits.high,
        "limits_changed": each.limits_changed,
        "failed_as_left": each.failed,
        "left_out_of_capability": each.left_out,
        "shelved_as_found": each.shelved,
        "capability": None if each.capability is None else _capability_document(each.capability),
        "as_found": None if each.as_found is None else _charted_document(each.as_found),
        "as_left": None if each.as_left is None else _charted_document(each.as_left),
    }


def _capability_document(held: Capability) -> dict[str, object]:
    indices = {"pp": held.pp, "ppk": held.ppk, "cp": held.cp, "cpk": held.cpk}
    return {
        "count": held.count,
        "mean": held.mean,
        "standard_deviation": held.standard_deviation,
        "within_standard_deviation": held.within_standard_deviation,
        "probability_if_normal": held.normal,
        "distribution": held.shape.value,
        **{name: None if index is None else _interval_document(index) for name, index in indices.items()},
        "why": held.why,
    }


def _charted_document(charted: Charted) -> dict[str, object]:
    shift = charted.shift
    return {
        "serials": list(charted.serials),
        "values": charted.values.tolist(),
        "individuals": None if charted.pair is None else _chart_document(charted.pair.location),
        "moving_range": None if charted.pair is None else _chart_document(charted.pair.spread),
        "ewma": None
        if charted.smoothed is None
        else {
            "points": charted.smoothed.points.tolist(),
            "centre": charted.smoothed.centre,
            "lower": charted.smoothed.lower.tolist(),
            "upper": charted.smoothed.upper.tolist(),
        },
        "signals": [
            {"serial": charted.serials[each.index], "rule": each.sentence, "beyond_limits": each.beyond_limits}
            for each in charted.signals
        ],
        "shift": None
        if shift is None
        else {
            "since": charted.serials[shift.since],
            "seen_at": charted.serials[shift.seen],
            "upwards": shift.upwards,
        },
        "sentence": charted.sentence,
    }


def _chart_document(chart: Chart) -> dict[str, object]:
    return {"centre": chart.centre, "lower": chart.lower, "upper": chart.upper, "points": chart.points.tolist()}
