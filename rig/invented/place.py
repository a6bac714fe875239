"""Where an invented history goes: a file of its own, unless somebody names another place."""

from __future__ import annotations

from pathlib import Path

from platformdirs import user_data_path

NAME = "demo-history"


def own_place() -> str:
    """URL of a file that is not there yet, in the user's data folder, which is made."""
    folder = user_data_path("trimrig", appauthor=False)
    folder.mkdir(parents=True, exist_ok=True)
    number = 1
    while (folder / _name(number)).exists():
        number += 1
    return f"sqlite:///{folder / _name(number)}"


def _name(number: int) -> str:
    return f"{NAME}.sqlite" if number == 1 else f"{NAME}-{number}.sqlite"


def url_of(place: str) -> str:
    """URL of a place that is named as a file or as a URL."""
    return place if "://" in place else f"sqlite:///{Path(place).absolute()}"
