"""The test record of a visit as one page of HTML: no script, nothing fetched, the plot drawn in it."""

from __future__ import annotations

from importlib.resources import files
from typing import TYPE_CHECKING

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from rig.marks import as_marks
from rig.reports.plot import tracking_svg
from rig.reports.record_contents import (
    BUDGET_HEAD,
    INSTRUMENT_HEAD,
    INVENTED,
    NO_BUDGET,
    NO_PLOT,
    SIGN_HERE,
    record_contents,
)

if TYPE_CHECKING:
    from rig.kept_visit import KeptVisit

PLOT_WIDTH_IN = 7.5


def _shown(value: object) -> object:
    """People's words line by line, with signs that turn text around as marks; the plots, and all else, as they are."""
    if not isinstance(value, str) or isinstance(value, Markup):
        return value
    return "\n".join(as_marks(line) for line in value.replace("\r\n", "\n").split("\n"))


def record_html(kept: KeptVisit) -> str:
    """The record as a page; the same text whenever it is made from the same record."""
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=False, finalize=_shown)
    template = environment.from_string(files("rig.reports").joinpath("record.html.jinja").read_text(encoding="utf-8"))
    product = kept.product
    # the plots are drawn here, from numbers alone: nothing that anybody typed stands in them unescaped
    plots = [
        (each.oscillator, Markup(tracking_svg(each, product, PLOT_WIDTH_IN)))
        for each in (kept.trackings() if product is not None else ())
        if product is not None
    ]
    return template.render(
        record=record_contents(kept),
        plots=plots,
        no_plot=NO_PLOT if product is None or kept.bench is None else "",
        invented=INVENTED,
        no_budget=f"{NO_BUDGET[0].upper()}{NO_BUDGET[1:]}",
        budget_head=BUDGET_HEAD,
        instrument_head=INSTRUMENT_HEAD,
        sign_here=SIGN_HERE,
    )
