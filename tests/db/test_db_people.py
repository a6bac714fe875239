"""Who may do what, and what an engineer's signature stands for."""

import shutil
import subprocess
from datetime import UTC, datetime
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat
from sqlalchemy.orm import Session

from db import people, signatures
from db.engine import Database, open_database
from db.errors import Exposed, KeyProblem, NotAuthorised
from db.fetching import fetch_people
from db.models import ProductRevision
from db.people import Signer, Standing
from db.queries import get_or_add_product_revision

NOW = datetime(2026, 3, 2, tzinfo=UTC)


def public_key_of(key: Ed25519PrivateKey) -> str:
    """The public key, as OpenSSH writes it."""
    return key.public_key().public_bytes(Encoding.OpenSSH, PublicFormat.OpenSSH).decode()


def signer(folder: Path, name: str) -> Signer:
    file = folder / f"{name}.pem"
    if not file.exists():
        signatures.make_key(file, "")
    return Signer(name, signatures.read_private_key(file, ""))


def enter_engineer(session: Session, folder: Path, name: str, by: str) -> None:
    people.enter(
        session,
        name=name,
        role="engineer",
        public_key=public_key_of(signer(folder, name).key),
        by=by,
        signer=signer(folder, by),
        why="answers for limits",
    )


def revision(session: Session, text: str = "limit = 1\n") -> ProductRevision:
    return get_or_add_product_revision(session, product_name="Real oscillator", toml_text=text, at_utc=NOW)


def test_a_workshop_of_one_is_asked_for_nothing(database: Database):
    with database.session() as session:
        people.require_operator(session, "anybody")
        assert people.standing_of(session, revision(session), demonstration=False) == Standing("no roles")
        people.enter(
            session, name="operator 1", role="operator", public_key=None, by="operator 1", signer=None, why="first day"
        )
        assert not people.roles_in_use(session)


def test_from_the_first_engineer_on_limits_are_signed_and_people_known(database: Database, tmp_path: Path):
    with database.session() as session:
        enter_engineer(session, tmp_path, "engineer 1", by="engineer 1")
        assert people.roles_in_use(session)
        first = revision(session)
        assert people.standing_of(session, first, demonstration=False) == Standing("unsigned")
        assert people.standing_of(session, first, demonstration=True) == Standing("demonstration")
        row = people.sign_revision(session, first, signer(tmp_path, "engineer 1"), "limits of the first batch")
        signed = people.standing_of(session, first, demonstration=False)
        assert signed == Standing("signed", row.id, "engineer 1", "limits of the first batch")
        wider = revision(session, "limit = 2\n")
        assert people.standing_of(session, wider, demonstration=False) == Standing("unsigned")
        with pytest.raises(NotAuthorised, match="Nobody called operator 1"):
            people.require_operator(session, "operator 1")
        people.enter(
            session,
            name="operator 1",
            role="operator",
            public_key=None,
            by="engineer 1",
            signer=signer(tmp_path, "engineer 1"),
            why="first day",
        )
        people.require_operator(session, "operator 1")
        people.require_operator(session, "engineer 1")


def test_nobody_becomes_an_engineer_or_signs_without_an_engineers_key(database: Database, tmp_path: Path):
    with database.session() as session:
        enter_engineer(session, tmp_path, "engineer 1", by="engineer 1")
    stranger = signer(tmp_path, "stranger")
    with pytest.raises(NotAuthorised, match="engineer 1"), database.session() as session:
        enter_engineer(session, tmp_path, "stranger", by="stranger")
    with pytest.raises(NotAuthorised), database.session() as session:
        people.enter(session, name="x", role="operator", public_key=None, by="engineer 1", signer=stranger, why="tries")
    for name in ("stranger", "engineer 1"):
        with pytest.raises(NotAuthorised, match="is not entered here as an engineer"), database.session() as session:
            people.sign_revision(session, revision(session), Signer(name, stranger.key), "wider limits")
    with database.session() as session:
        enter_engineer(session, tmp_path, "engineer 2", by="engineer 1")
        people.sign_revision(session, revision(session), signer(tmp_path, "engineer 2"), "limits")
        assert people.standing_of(session, revision(session), demonstration=False).authority == "signed"
        people.enter(
            session,
            name="engineer 2",
            role="left",
            public_key=None,
            by="engineer 1",
            signer=signer(tmp_path, "engineer 1"),
            why="works elsewhere",
        )
        assert people.standing_of(session, revision(session), demonstration=False).authority == "unsigned"
        with pytest.raises(NotAuthorised):
            people.require_operator(session, "engineer 2")


def test_a_bench_knows_signatures_while_the_server_is_away(database: Database, migrated: str, tmp_path: Path):
    bench = database
    with open_database(migrated) as server:
        with server.session() as session:
            enter_engineer(session, tmp_path, "engineer 1", by="engineer 1")
            people.sign_revision(session, revision(session), signer(tmp_path, "engineer 1"), "limits")
        assert fetch_people(server, bench) == 4
        assert fetch_people(server, bench) == 0
        with bench.session() as session:
            assert people.standing_of(session, revision(session), demonstration=False).authority == "signed"


def test_a_private_key_is_for_its_owner_alone_and_may_have_a_passphrase(tmp_path: Path):
    file = tmp_path / "engineer.pem"
    public = signatures.make_key(file, "open sesame")
    assert public.startswith("ssh-ed25519 ")
    assert file.stat().st_mode & 0o777 == 0o600
    assert signatures.is_locked(file)
    with pytest.raises(KeyProblem, match="passphrase"):
        signatures.read_private_key(file, "wrong")
    assert public_key_of(signatures.read_private_key(file, "open sesame")) == public
    with pytest.raises(KeyProblem, match="not overwritten"):
        signatures.make_key(file, "")
    file.chmod(0o644)
    with pytest.raises(Exposed, match="chmod 600"):
        signatures.read_private_key(file, "open sesame")


def test_a_key_made_by_openssh_signs_too(tmp_path: Path):
    if shutil.which("ssh-keygen") is None:
        pytest.skip("ssh-keygen is not installed here")
    file = tmp_path / "id_ed25519"
    subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", str(file)], check=True)
    public = signatures.public_key((tmp_path / "id_ed25519.pub").read_text(encoding="ascii"))
    signed = signatures.sign(signatures.read_private_key(file, ""), b"limits")
    assert signatures.is_signed_by(public, signed, b"limits")
    assert not signatures.is_signed_by(public, signed, b"limit")
    shown = subprocess.run(["ssh-keygen", "-l", "-f", f"{file}.pub"], check=True, capture_output=True, text=True)
    assert signatures.fingerprint(public) in shown.stdout


def test_signatures_are_those_of_rfc_8032():
    # RFC 8032, section 7.1, test 2: a message of one byte
    import base64

    key = Ed25519PrivateKey.from_private_bytes(
        bytes.fromhex("4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb")
    )
    signed = base64.b64decode(signatures.sign(key, b"\x72")).hex()
    assert signed.startswith("92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da")
    assert signatures.is_signed_by(public_key_of(key), signatures.sign(key, b"\x72"), b"\x72")
