"""Slip and plot written beside the database, or where a person says."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from platformdirs import user_data_dir

from rig.reports.plot import plot_tracking
from rig.reports.slip import slip
from rig.whole_file import write_whole

if TYPE_CHECKING:
    from rig.kept_visit import KeptVisit
    from rig.product import Product
    from rig.visit import Visit


@dataclass(frozen=True, slots=True)
class Kept:
    """Where slip and plots are, and the slip's text. An oscillator that was not swept has no plot."""

    slip_text: str
    slip: Path
    plots: tuple[Path, ...]


def keep_reports(visit: Visit, product: Product, record: KeptVisit, folder: Path | None) -> Kept:
    """Write slip and plot of a visit.

    :param record: the same visit, read back: the slip is printed from it, so that a reprint is the same.
    :raises OSError: a file cannot be written; the visit itself is in the database already.
    """
    place = folder or Path(user_data_dir("trimrig", appauthor=False)) / "slips"
    place.mkdir(parents=True, exist_ok=True)
    name = f"{file_name(visit.serial)}-{visit.visit_id}"
    text = slip(record)
    slip_path = place / f"{name}.txt"
    write_whole(slip_path, text.encode("ascii"))
    demonstration = record.record.visit.demonstration
    plots = []
    for oscillator in visit.oscillators:
        if oscillator.final is not None:
            suffix = f"-{file_name(oscillator.name)}" if oscillator.name else ""
            plots.append(place / f"{name}{suffix}.png")
            plot_tracking(visit.serial, oscillator, product, plots[-1], demonstration=demonstration)
    return Kept(text, slip_path, tuple(plots))


def place_for_record(kept: KeptVisit) -> Path:
    """Where the record of a visit goes when nobody names a place; the folder is made.

    :raises OSError: it cannot be made.
    """
    place = Path(user_data_dir("trimrig", appauthor=False)) / "records"
    place.mkdir(parents=True, exist_ok=True)
    return place / f"{file_name(kept.record.serial)}-{kept.record.visit.visit_id}.pdf"


def file_name(serial: str) -> str:
    """A serial as a part of a file name."""
    return "".join(character if character.isalnum() or character in "-_" else "_" for character in serial)[:40]
