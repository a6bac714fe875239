"""The key that records are chained with: made once, refused where others can read it, and what it makes of parts."""

import hashlib
import hmac
from pathlib import Path

import pytest

from db.engine import open_database
from db.errors import Exposed, KeyProblem
from db.record_key import RecordKey, read_or_make_key


def test_the_key_is_made_once_and_refused_when_others_can_read_it(tmp_path: Path):
    path = tmp_path / "settings" / "record.key"
    key = read_or_make_key(path)
    assert path.stat().st_mode & 0o777 == 0o600
    assert read_or_make_key(path) == key
    assert key.secret.hex() not in repr(key)
    path.chmod(0o640)
    with pytest.raises(Exposed, match="chmod 600"):
        read_or_make_key(path)
    path.chmod(0o600)
    path.write_text("not a key", encoding="ascii")
    with pytest.raises(KeyProblem, match="is not one"):
        read_or_make_key(path)


def test_nothing_is_recorded_while_others_can_read_the_key(url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    path = tmp_path / "record.key"
    monkeypatch.setenv("RIG_RECORD_KEY_FILE", str(path))
    with open_database(url) as database:
        database.require_writable()
        path.chmod(0o644)
        with pytest.raises(Exposed):
            database.require_writable()


def test_a_link_is_hmac_sha_256_over_its_parts():
    # RFC 4231, test case 2, with each part's length before it as the docstring says
    part = b"what do ya want for nothing?"
    expected = hmac.new(b"Jefe", len(part).to_bytes(8) + part, hashlib.sha256).hexdigest()
    assert RecordKey(b"Jefe").mac(part) == expected
    plain = hmac.new(b"Jefe", part, hashlib.sha256).hexdigest()
    assert plain == "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
