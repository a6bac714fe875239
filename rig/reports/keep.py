"""Slip and plot written beside the database, or where a person says."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from platformdirs import user_data_dir

from rig.reports.plot import plot_tracking
from rig.reports.slip import slip

if TYPE_CHECKING:
    from datetime import datetime

    from rig.product import Product
    from rig.visit import Visit


@dataclass(frozen=True, slots=True)
class Kept:
    """Where slip and plot are, and the slip's text. No plot where nothing was swept."""

    slip_text: str
    slip: Path
    plot: Path | None


def keep_reports(
    visit: Visit, product: Product, at: datetime, bench_name: str, folder: Path | None, *, demonstration: bool
) -> Kept:
    """Write slip and plot of a visit.

    :raises OSError: a file cannot be written; the visit itself is in the database already.
    """
    place = folder or Path(user_data_dir("trimrig", appauthor=False)) / "slips"
    place.mkdir(parents=True, exist_ok=True)
    name = f"{_file_name(visit.serial)}-{visit.visit_id}"
    text = slip(visit, product, at, bench_name, demonstration=demonstration)
    slip_path = place / f"{name}.txt"
    slip_path.write_text(text, encoding="ascii")
    plot_path = None
    if visit.final is not None:
        plot_path = place / f"{name}.png"
        plot_tracking(visit, product, plot_path, demonstration=demonstration)
    return Kept(text, slip_path, plot_path)


def _file_name(serial: str) -> str:
    return "".join(character if character.isalnum() or character in "-_" else "_" for character in serial)[:40]
