"""What every connection to PostgreSQL is opened with: quick to give up, and with no password that others can read."""

import os
from collections.abc import Container
from pathlib import Path

from db.errors import KeyProblem
from db.private_files import require_private

APPLICATION_NAME = "trimrig"


def connection_settings(given: Container[str], patience_s: float) -> dict[str, str | int]:
    """Parameters of the client library, by its own names.

    :param given: parameters that the address sets itself.
    :param patience_s: how long to wait for the server's answer and for another program's lock, s.
    """
    milliseconds = max(1, round(patience_s * 1000.0))
    settings: dict[str, str | int] = {
        # libpq counts whole seconds, two at least
        "connect_timeout": max(2, round(patience_s)),
        "application_name": APPLICATION_NAME,
        # texts are Unicode whatever the database was made with: without it, one in SQL_ASCII hands out bytes
        "client_encoding": "UTF8",
        "options": f"-c lock_timeout={milliseconds} -c timezone=UTC",
        # a cable that was pulled is noticed in some seconds, not in hours
        "keepalives_idle": 5,
        "keepalives_interval": 3,
        "keepalives_count": 3,
        "tcp_user_timeout": 15000,
    }
    return {key: value for key, value in settings.items() if key not in given}


def require_private_passwords(named: str) -> None:
    """Refuse password files that others can read; the client library would pass over them with a warning only.

    :param named: password file that the address names; empty where it names none.
    :raises Exposed: others can read one.
    :raises KeyProblem: one cannot be looked at.
    """
    try:
        passwords = _found(named or os.environ.get("PGPASSFILE", ""), ".pgpass")
        if passwords is not None:
            require_private(passwords, "password file")
        service = _found(os.environ.get("PGSERVICEFILE", ""), ".pg_service.conf")
        if service is not None and "password" in service.read_text(encoding="utf-8", errors="replace"):
            require_private(service, "service file with a password")
    except OSError as error:
        raise KeyProblem(
            f"The password file {error.filename} cannot be looked at ({error.strerror}): check its rights."
        ) from None


def _found(named: str, name: str) -> Path | None:
    """A file that is named, else the one in the home folder; None where there is none, or the user has no home."""
    try:
        path = Path(named) if named else Path.home() / name
    except RuntimeError:
        return None
    return path if path.is_file() else None
