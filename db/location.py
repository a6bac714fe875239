"""Where the database is: what ``RIG_DATABASE_URL`` says, else a file in the user's data folder."""

import hashlib
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import platformdirs

from db.errors import KeyProblem
from db.private_files import read_private

VARIABLE = "RIG_DATABASE_URL"
FILE_VARIABLE = "RIG_DATABASE_URL_FILE"
SPOOL_VARIABLE = "RIG_SPOOL_FILE"


@dataclass(frozen=True, slots=True)
class Location:
    """A database URL and what decided it; ``own_folder`` is to be made when it is not there yet."""

    url: str
    decided_by: str
    own_folder: str | None


def database_location(environment: Mapping[str, str] = os.environ) -> Location:
    """Say where the database is; creates nothing.

    :param environment: variables to look into; ``RIG_DATABASE_URL`` wins when it is set and not blank, then the file
        that ``RIG_DATABASE_URL_FILE`` names, which is the place for a URL with a password in it.
    :raises Exposed: that file can be read by others.
    :raises KeyProblem: that file cannot be read, or holds more than an address.
    """
    named = environment.get(VARIABLE, "").strip()
    if named:
        return Location(url=named, decided_by=VARIABLE, own_folder=None)
    kept = environment.get(FILE_VARIABLE, "").strip()
    if kept:
        url = read_private(Path(kept), "file with the database address")
        if len(url.splitlines()) > 1:
            raise KeyProblem(
                f"The file with the database address {kept} holds more than one line: leave nothing else in it."
            )
        return Location(url=url, decided_by=f"the file {kept}", own_folder=None)
    folder = _data_folder()
    path = folder / "trimrig.sqlite"
    return Location(url=f"sqlite:///{path}", decided_by="the user's data folder", own_folder=str(folder))


def spool_location(server_place: str, environment: Mapping[str, str] = os.environ) -> Location:
    """Say where this bench keeps its own record while it works for a server.

    :param server_place: the server's database, as it may be shown: each has a spool of its own.
    :param environment: variables to look into; ``RIG_SPOOL_FILE`` wins when it is set and not blank.
    """
    named = environment.get(SPOOL_VARIABLE, "").strip()
    if named:
        return Location(f"sqlite:///{named}", SPOOL_VARIABLE, None)
    folder = _data_folder()
    digest = hashlib.sha256(server_place.encode()).hexdigest()[:8]
    return Location(f"sqlite:///{folder / f'bench-{digest}.sqlite'}", "the user's data folder", str(folder))


def _data_folder() -> Path:
    return platformdirs.user_data_path("trimrig", appauthor=False)
