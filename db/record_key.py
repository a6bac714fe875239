"""The key that the record is chained with: a file outside the database, made when it is first needed.

Who has the database alone cannot compute a link anew. Who has the key as well can: keep them apart.
"""

import hashlib
import hmac
import os
import secrets
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

import platformdirs

from db.errors import KeyProblem
from db.private_files import read_private, write_private

VARIABLE = "RIG_RECORD_KEY_FILE"
BYTES = 32


@dataclass(frozen=True, slots=True)
class RecordKey:
    """A key; its ``key_id`` may be shown."""

    secret: bytes = field(repr=False)

    @property
    def key_id(self) -> str:
        """What tells this key from others and gives nothing of it away."""
        return self.mac(b"key")[:16]

    def mac(self, *parts: bytes) -> str:
        """HMAC-SHA-256 (RFC 2104, FIPS 198-1) over parts, each with its length before it; 64 hexadecimal digits."""
        hashed = hmac.new(self.secret, digestmod=hashlib.sha256)
        for part in parts:
            hashed.update(len(part).to_bytes(8))
            hashed.update(part)
        return hashed.hexdigest()


def key_file(environment: Mapping[str, str] = os.environ) -> Path:
    """Where the key is: ``RIG_RECORD_KEY_FILE`` when it is set and not blank, else a file in the user's settings."""
    named = environment.get(VARIABLE, "").strip()
    return Path(named) if named else platformdirs.user_config_path("trimrig", appauthor=False) / "record.key"


def read_key(path: Path) -> RecordKey:
    """Read a key.

    :raises Exposed: others can read it.
    :raises KeyProblem: it cannot be read or is no key.
    """
    text = read_private(path, "key of the record")
    try:
        secret = bytes.fromhex(text)
    except ValueError:
        secret = b""
    if len(secret) != BYTES:
        raise KeyProblem(
            f"The key of the record {path} is not one: put the file back as it was, or name another one in {VARIABLE}."
        )
    return RecordKey(secret)


def read_or_make_key(path: Path) -> RecordKey:
    """Read a key, made first where there is none.

    :raises Exposed: others can read it.
    :raises KeyProblem: it can neither be read nor made.
    """
    if not path.exists():
        # where another program of this user was quicker, its key is taken
        with suppress(FileExistsError):
            write_private(path, secrets.token_hex(BYTES) + "\n", "key of the record")
    return read_key(path)
