"""Where the database is: what ``RIG_DATABASE_URL`` says, else a file in the user's data folder."""

import os
from collections.abc import Mapping
from dataclasses import dataclass

import platformdirs

VARIABLE = "RIG_DATABASE_URL"


@dataclass(frozen=True, slots=True)
class Location:
    """A database URL and what decided it; ``own_folder`` is to be made when it is not there yet."""

    url: str
    decided_by: str
    own_folder: str | None


def database_location(environment: Mapping[str, str] = os.environ) -> Location:
    """Say where the database is; opens and creates nothing.

    :param environment: variables to look into; ``RIG_DATABASE_URL`` wins when it is set and not blank.
    """
    named = environment.get(VARIABLE, "").strip()
    if named:
        return Location(url=named, decided_by=VARIABLE, own_folder=None)
    folder = platformdirs.user_data_path("trimrig", appauthor=False)
    path = folder / "trimrig.sqlite"
    return Location(url=f"sqlite:///{path}", decided_by="the user's data folder", own_folder=str(folder))
