"""The tracking plot of an oscillator: errors of the points as found and as left, with limits and uncertainty."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

if TYPE_CHECKING:
    from pathlib import Path

    from matplotlib.axes import Axes

    from rig.product import Product
    from rig.stages.survey import Survey
    from rig.visit import Oscillator

FOUND_COLOUR, LEFT_COLOUR, LIMIT_COLOUR = "#b06020", "#1f5f8b", "#555555"


def plot_tracking(serial: str, oscillator: Oscillator, product: Product, path: Path, *, demonstration: bool) -> None:
    """Write the plot as PNG.

    :raises OSError: the file cannot be written.
    """
    figure = Figure(figsize=(8.0, 6.0), layout="constrained")
    FigureCanvasAgg(figure)
    upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=[1, 1.4])
    if oscillator.as_found is not None:
        _draw(upper, oscillator.as_found, "as found", FOUND_COLOUR, "o")
    if oscillator.final is not None:
        label = "as left" if oscillator.as_left is not None else "as found, nothing turned"
        _draw(lower, oscillator.final, label, LEFT_COLOUR, "s")
    _limits(lower, product)
    for axes in (upper, lower):
        axes.axhline(0.0, color="#bbbbbb", linewidth=0.8)
        axes.set_ylabel("error / cents")
        axes.grid(alpha=0.25)
        axes.legend(loc="best", fontsize=8)
    lower.set_xlabel("control voltage at the jack / V")
    mark = "  -  DEMONSTRATION, invented data" if demonstration else ""
    title = f"Tracking of {serial} {oscillator.name}".rstrip()
    figure.suptitle(f"{title}: {oscillator.verdict.decision.value}{mark}", fontsize=11)
    figure.savefig(path, dpi=110, metadata={"Software": None})


def _draw(axes: Axes, survey: Survey, label: str, colour: str, marker: str) -> None:
    assessed = survey.assessed
    axes.errorbar(
        assessed.cv_v,
        assessed.error_cents,
        yerr=survey.expanded_cents,
        fmt=marker,
        color=colour,
        markersize=4,
        capsize=2,
        label=label,
    )


def _limits(axes: Axes, product: Product) -> None:
    limits, played = product.limits, product.range
    spans = (
        (played.full.low_v, played.full.high_v, limits.tracking_full_cents, ":", "limit, full range"),
        (
            played.musical.low_v,
            played.musical.high_v,
            limits.tracking_musical_cents,
            "--",
            "limit, musical range",
        ),
    )
    for low_v, high_v, limit, style, label in spans:
        axes.plot([low_v, high_v], [limit, limit], style, color=LIMIT_COLOUR, label=label)
        axes.plot([low_v, high_v], [-limit, -limit], style, color=LIMIT_COLOUR)
