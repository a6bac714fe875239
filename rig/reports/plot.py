"""The tracking plot of an oscillator: errors of the points as found and as left, with limits and uncertainty."""

from __future__ import annotations

from dataclasses import dataclass
from io import BytesIO
from typing import TYPE_CHECKING

import numpy as np
from matplotlib import rc_context
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

from rig.budgets import expanded_of_points
from rig.whole_file import whole_file

if TYPE_CHECKING:
    from pathlib import Path

    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from rig.assess import SweepAssessment
    from rig.kept_visit import Tracking
    from rig.product import Product
    from rig.stages.survey import Survey
    from rig.visit import Oscillator

    Array = NDArray[np.float64]

FOUND_COLOUR, LEFT_COLOUR, LIMIT_COLOUR = "#b06020", "#1f5f8b", "#555555"
NOTHING_TURNED = "as found, nothing turned"
PNG_DOTS_PER_INCH = 200
PLOT_HEIGHT = 0.5
"""Height over width of a plot in a record."""


COVERAGE = 2.0


@dataclass(frozen=True, slots=True)
class Drawn:
    """A sweep as it is drawn: errors of its points with their expanded uncertainties, cents, (n,)."""

    assessed: SweepAssessment
    expanded_cents: Array


def plot_tracking(serial: str, oscillator: Oscillator, product: Product, path: Path, *, demonstration: bool) -> None:
    """Write the plot as PNG.

    :raises OSError: the file cannot be written.
    """
    found, left = (
        _surveyed(survey, product) if survey is not None else None
        for survey in (oscillator.as_found, oscillator.as_left)
    )
    figure = _figure(found, left, product, (8.0, 6.0))
    mark = "  -  DEMONSTRATION, invented data" if demonstration else ""
    title = f"Tracking of {serial} {oscillator.name}".rstrip()
    figure.suptitle(f"{title}: {oscillator.verdict.decision.value}{mark}", fontsize=11)
    FigureCanvasAgg(figure)
    with whole_file(path) as file:
        figure.savefig(file, format="png", dpi=110, metadata={"Software": None})


def _surveyed(survey: Survey, product: Product) -> Drawn:
    return Drawn(survey.assessed, expanded_of_points(survey.assessed, product, survey.stated, survey.line))


def tracking_png(tracking: Tracking, product: Product, width_in: float) -> bytes:
    """The plot without a title, as PNG; the same bytes for the same points."""
    figure = _figure(_kept(tracking.found), _kept(tracking.left), product, (width_in, PLOT_HEIGHT * width_in))
    FigureCanvasAgg(figure)
    made = BytesIO()
    figure.savefig(made, format="png", dpi=PNG_DOTS_PER_INCH, metadata={"Software": None})
    return made.getvalue()


def tracking_svg(tracking: Tracking, product: Product, width_in: float) -> str:
    """The plot without a title, as an SVG element that refers to nothing outside; the same for the same points."""
    figure = _figure(_kept(tracking.found), _kept(tracking.left), product, (width_in, PLOT_HEIGHT * width_in))
    made = BytesIO()
    FigureCanvasSVG(figure)
    with rc_context({"svg.hashsalt": f"tracking {tracking.oscillator}", "svg.fonttype": "path"}):
        figure.savefig(made, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    text = made.getvalue().decode("utf-8")
    return text[text.index("<svg") :]


def _figure(found: Drawn | None, left: Drawn | None, product: Product, size_in: tuple[float, float]) -> Figure:
    """As found above, what the unit leaves with below; one panel where nothing was turned."""
    figure = Figure(figsize=size_in, layout="constrained")
    last = (left, "as left", LEFT_COLOUR, "s") if left is not None else (found, NOTHING_TURNED, LEFT_COLOUR, "s")
    panels = [(found, "as found", FOUND_COLOUR, "o"), last] if found is not None and left is not None else [last]
    ratios = [1.0, 1.4] if len(panels) > 1 else [1.0]
    drawn = figure.subplots(len(panels), 1, sharex=True, height_ratios=ratios, squeeze=False)[:, 0]
    for axes, (shown, label, colour, marker) in zip(drawn, panels, strict=True):
        axes.axhline(0.0, color="#bbbbbb", linewidth=0.8)
        if shown is not None:
            _draw(axes, shown, label, colour, marker)
        _limits(axes, product)
        axes.set_ylabel("error / cents")
        axes.grid(alpha=0.25)
        axes.legend(loc="center left", bbox_to_anchor=(1.0, 0.5), fontsize=8, frameon=False)
    drawn[-1].set_xlabel("control voltage at the jack / V")
    return figure


def _kept(assessed: SweepAssessment | None) -> Drawn | None:
    """A sweep from the record; degrees of freedom are not kept point by point, so its band has k = 2."""
    if assessed is None:
        return None
    return Drawn(assessed, COVERAGE * np.sqrt(np.diag(assessed.covariance_cents2)))


def _draw(axes: Axes, shown: Drawn, label: str, colour: str, marker: str) -> None:
    """Points with the band of their expanded uncertainty."""
    cv_v, errors, bars = shown.assessed.cv_v, shown.assessed.error_cents, shown.expanded_cents
    axes.fill_between(cv_v, errors - bars, errors + bars, color=colour, alpha=0.2, linewidth=0.0, label="± U (95 %)")
    axes.errorbar(
        cv_v, errors, yerr=bars, fmt=f"{marker}-", color=colour, markersize=4, linewidth=0.7, capsize=2, label=label
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
