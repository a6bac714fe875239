"""Plots of a batch as PNG and SVG: causes of failure, capability, one sheet of control charts a characteristic.

The same batch gives the same files to the last byte.
"""

from __future__ import annotations

from textwrap import wrap
from typing import TYPE_CHECKING, Any

import matplotlib as mpl
import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from rig.reports.batch import capability_notes
from rig.whole_file import whole_file

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from rig.batch import BatchReport
    from rig.batch_charts import Characteristic, Charted
    from rig.science.control_chart import Chart

    Places = NDArray[np.int64]
    Values = NDArray[np.float64]

POINT_COLOUR, LINE_COLOUR, LIMIT_COLOUR, LOUD_COLOUR = "#1f5f8b", "#7fa8c4", "#555555", "#b03030"
SAME_EACH_TIME: dict[Any, Any] = {"svg.hashsalt": "trimrig", "svg.fonttype": "path", "axes.unicode_minus": False}
COLUMNS = 4
MOST_TICKS = 8
ROW_POINTS = 8.0
"""From one row of small letters to the next."""
TITLE_POINTS = 11
NOTE_SIGNS = 38
"""Signs of a note below a sheet, a column of it."""
SIGNS_AN_INCH = 9
"""Signs of a title on an inch of its figure: its letters are narrower than a ninth of an inch, most capitals too."""
WITHOUT = {"png": {"Software": None}, "svg": {"Date": None, "Creator": None}}


def plot_batch(report: BatchReport, folder: Path) -> tuple[Path, ...]:
    """Write all plots of one product of a batch into a folder, which is made where it is missing.

    :raises OSError: a file cannot be written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    stem = f"batch-{file_name(report.batch_code)}-{file_name(report.product)[:20]}"
    paths: list[Path] = []
    with mpl.rc_context(SAME_EACH_TIME):
        for name, figure in _figures(report):
            paths += save(figure, folder, f"{stem}-{name}")
    return tuple(paths)


def save(figure: Figure, folder: Path, stem: str) -> list[Path]:
    """Write one figure as PNG and as SVG, without date or program."""
    paths = [folder / f"{stem}.{ending}" for ending in ("png", "svg")]
    with mpl.rc_context(SAME_EACH_TIME):
        for path in paths:
            ending = path.suffix[1:]
            with whole_file(path) as file:
                figure.savefig(file, format=ending, dpi=100, metadata=WITHOUT[ending])
    return paths


def file_name(code: str) -> str:
    """What of a code can stand in the name of a file anywhere."""
    return "".join(each if each.isascii() and (each.isalnum() or each in "-_") else "_" for each in code)[:40]


def words(text: str) -> str:
    """Text that any font can draw, and that is never taken for mathematics."""
    return _ascii(text).replace("$", r"\$")


def _ascii(text: str) -> str:
    return text.encode("ascii", "backslashreplace").decode("ascii")


def new_figure(width: float, height: float, title: str) -> Figure:
    """A figure that draws without a screen, its title broken into lines that fit."""
    figure = Figure(figsize=(width, height), layout="constrained")
    FigureCanvasAgg(figure)
    lines = wrap(_ascii(title), int(SIGNS_AN_INCH * width))
    figure.suptitle(words("\n".join(lines)), fontsize=TITLE_POINTS)
    return figure


def _figures(report: BatchReport) -> Iterator[tuple[str, Figure]]:
    if report.causes:
        yield "causes", _causes(report)
    if report.characteristics:
        yield "capability", _capabilities(report)
    for each in report.characteristics:
        charted = [charted for charted in (each.as_found, each.as_left) if charted is not None and charted.pair]
        if charted:
            yield f"chart-{file_name(each.name)}", _sheet(report, each, charted)


def _title(report: BatchReport, what: str) -> str:
    mark = "; DEMONSTRATION, invented data" if report.demonstration else ""
    return f"Batch {report.batch_code}, {report.product}: {what}{mark}"


def _causes(report: BatchReport) -> Figure:
    figure = new_figure(8.0, 4.5, _title(report, "failed visits by cause"))
    axes = figure.subplots()
    counts = [each.visits for each in report.causes]
    places = np.arange(len(counts))
    axes.bar(places, counts, color=POINT_COLOUR)
    labels = [words(each.cause.label) for each in report.causes]
    axes.set_xticks(places, labels, rotation=30, ha="right", fontsize=8)
    axes.set_ylabel("visits")
    axes.yaxis.set_major_locator(MaxNLocator(integer=True))
    share = axes.twinx()
    share.plot(places, 100.0 * np.cumsum(counts) / sum(counts), "o-", color=LOUD_COLOUR, markersize=3, linewidth=1)
    share.set_ylim(0.0, 105.0)
    share.set_ylabel("named so far / %")
    return figure


def _capabilities(report: BatchReport) -> Figure:
    shown = [each for each in report.characteristics if each.as_left is not None and each.capability is not None]
    rows = max(1, -(-len(shown) // COLUMNS))
    figure = new_figure(3.2 * COLUMNS, 2.4 * rows, _title(report, "as left, within limits"))
    notes = [line for note in capability_notes(report) for line in wrap(_ascii(note), int(NOTE_SIGNS * COLUMNS))]
    if notes:
        figure.supxlabel(words("\n".join(notes)), fontsize=8)
    grid = figure.subplots(rows, COLUMNS, squeeze=False)
    for axes in grid.flat[len(shown) :]:
        axes.set_visible(False)
    for axes, each in zip(grid.flat, shown, strict=False):
        _histogram(axes, each)
    return figure


def _histogram(axes: Axes, each: Characteristic) -> None:
    if each.as_left is None:
        return
    values, limits = each.as_left.values, [bound for bound in (each.limits.low, each.limits.high) if bound is not None]
    ends = [*limits, float(np.quantile(values, 0.01)), float(np.quantile(values, 0.99))]
    low, high = min(ends), max(ends)
    slack = 0.05 * (high - low) if high > low else 1.0
    axes.hist(np.clip(values, low - slack, high + slack), bins=24, range=(low - slack, high + slack), color=LINE_COLOUR)
    for bound in limits:
        axes.axvline(bound, color=LOUD_COLOUR, linewidth=1)
    held = each.capability
    said = "Ppk not stated" if held is None or held.ppk is None else f"Ppk {held.ppk.estimate:.2f}"
    count = 0 if held is None else held.count
    axes.set_title(words(f"{each.label}: {said}, n = {count}"), fontsize=8)
    axes.set_xlabel(words(each.unit), fontsize=7)
    axes.tick_params(labelsize=7)


def _sheet(report: BatchReport, each: Characteristic, charted: list[Charted]) -> Figure:
    figure = new_figure(6.0 * len(charted), 6.5, _title(report, each.label))
    grid = figure.subplots(2, len(charted), squeeze=False, height_ratios=[2, 1], sharex="col")
    for column, one in enumerate(charted):
        if one.pair is None:
            continue
        places = np.arange(1, len(one.serials) + 1)
        upper, lower = grid[0, column], grid[1, column]
        _draw(upper, places, one.pair.location, words(f"{each.unit}"))
        if one.smoothed is not None:
            upper.plot(places, one.smoothed.points, color=LOUD_COLOUR, linewidth=1, label="EWMA")
            upper.fill_between(places, one.smoothed.lower, one.smoothed.upper, color=LOUD_COLOUR, alpha=0.08)
        if one.shift is not None:
            upper.axvline(one.shift.since + 1, color=LOUD_COLOUR, linestyle=":", linewidth=1)
        upper.set_title(words(one.phase.replace("_", " ")), fontsize=9)
        _draw(lower, places[1:], one.pair.spread, "moving range")
        ticks = places[:: max(1, -(-len(places) // MOST_TICKS))]
        lower.set_xticks(ticks, [words(one.serials[tick - 1]) for tick in ticks], rotation=30, ha="right", fontsize=7)
    return figure


def _draw(axes: Axes, places: Places, chart: Chart, label: str) -> None:
    """Points with their lines; the view shows the limits well, and points far outside as arrows at its edge."""
    reach = _reach(chart)
    shown = np.clip(chart.points, chart.centre - reach, chart.centre + reach)
    axes.plot(places, shown, "o-", color=POINT_COLOUR, markersize=2.5, linewidth=0.6)
    loud = chart.outside
    axes.plot(places[loud], shown[loud], "o", color=LOUD_COLOUR, markersize=4)
    _arrows(axes, places, chart.points, shown)
    axes.axhline(chart.centre, color=LIMIT_COLOUR, linewidth=0.8)
    for bound in (chart.lower, chart.upper):
        axes.axhline(bound, color=LIMIT_COLOUR, linewidth=0.8, linestyle="--")
    low, high = min(float(np.min(shown)), chart.lower), max(float(np.max(shown)), chart.upper)
    slack = 0.06 * (high - low) if high > low else 1.0
    axes.set_ylim(low - slack, high + slack)  # fixed: a smoothed line that follows one odd unit is cut, not the others
    axes.set_ylabel(label, fontsize=8)
    axes.tick_params(labelsize=7)


def _reach(chart: Chart) -> float:
    """How far from the centre the view goes: to where a level moved, and not to where one odd unit in ten lies."""
    distances = np.abs(chart.points - chart.centre)
    reach = max(6.0 * chart.sigma, 1.2 * float(np.quantile(distances, 0.9)))
    return reach if reach > 0.0 else 1.0


def _arrows(axes: Axes, places: Places, points: Values, shown: Values) -> None:
    """Points that the view leaves out: an arrow at its edge, with the value it stands for on the inner side."""
    middle = float(np.mean(places))
    for marker, beyond, down in (("^", points > shown, -1.0), ("v", points < shown, 1.0)):
        axes.plot(places[beyond], shown[beyond], marker, color=LOUD_COLOUR, markersize=7)
        for row, at in enumerate(np.flatnonzero(beyond)):
            side, aside = ("left", 6.0) if places[at] < middle else ("right", -6.0)
            offset = (aside, down * ROW_POINTS * (row % 3))  # neighbours do not write over each other
            where, said = (float(places[at]), float(shown[at])), f"{points[at]:.4g}"
            axes.annotate(said, where, offset, textcoords="offset points", fontsize=7, ha=side, va="center")
