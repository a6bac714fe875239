"""Engineers' keys and what they sign: Ed25519 (RFC 8032), public keys as OpenSSH writes them.

A private key belongs to one person and lies in a file that only this person can read; the program keeps none. Benches
need the public keys only, so that nobody at a bench can sign in an engineer's place.
"""

import base64
import hashlib
from pathlib import Path

from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from db.errors import KeyProblem
from db.private_files import read_private, write_private

WHAT = "private key"


def make_key(file: Path, passphrase: str) -> str:
    """Make a private key in a new file; say its public key.

    :param passphrase: empty for a key that only the rights on its file protect.
    :raises KeyProblem: the file is there already or cannot be written.
    """
    key = Ed25519PrivateKey.generate()
    locked: serialization.KeySerializationEncryption = serialization.NoEncryption()
    if passphrase:
        locked = serialization.BestAvailableEncryption(passphrase.encode())
    text = key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, locked).decode()
    try:
        write_private(file, text, WHAT)
    except FileExistsError:
        raise KeyProblem(f"The file {file} is there already and is not overwritten: name another one.") from None
    return _shown(key.public_key())


def is_locked(file: Path) -> bool:
    """Whether a private key needs a passphrase.

    :raises Exposed: others can read it.
    :raises KeyProblem: it cannot be read.
    """
    try:
        _loaded(read_private(file, WHAT), file, "")
    except TypeError:
        return True
    return False


def read_private_key(file: Path, passphrase: str) -> Ed25519PrivateKey:
    """Read a private key, PEM or OpenSSH.

    :raises Exposed: others can read it.
    :raises KeyProblem: it cannot be read, is of another kind, or the passphrase is wrong.
    """
    try:
        return _loaded(read_private(file, WHAT), file, passphrase)
    except TypeError:
        raise KeyProblem(f"The private key {file} needs its passphrase: type it when asked.") from None


def _loaded(text: str, file: Path, passphrase: str) -> Ed25519PrivateKey:
    """:raises TypeError: it is locked, and no passphrase was given."""
    raw, word = (text + "\n").encode(), passphrase.encode() or None
    openssh = "OPENSSH" in text.partition("\n")[0]
    load = serialization.load_ssh_private_key if openssh else serialization.load_pem_private_key
    try:
        key = load(raw, word)
    except (ValueError, UnsupportedAlgorithm):
        raise KeyProblem(
            f"The private key {file} cannot be used: it is no key, or its passphrase is wrong; rig people key makes "
            "one."
        ) from None
    if not isinstance(key, Ed25519PrivateKey):
        raise KeyProblem(f"The private key {file} is of another kind than Ed25519: make one with rig people key.")
    return key


def _shown(key: Ed25519PublicKey) -> str:
    return key.public_bytes(serialization.Encoding.OpenSSH, serialization.PublicFormat.OpenSSH).decode()


def public_key(text: str) -> str:
    """A public key as it is kept: without the comment at its end.

    :raises KeyProblem: it is no public key of this kind.
    """
    try:
        key = serialization.load_ssh_public_key(text.strip().encode())
    except (ValueError, UnsupportedAlgorithm):
        key = None
    if not isinstance(key, Ed25519PublicKey):
        raise KeyProblem("That is no Ed25519 public key: give one line that begins with ssh-ed25519.")
    return _shown(key)


def fingerprint(public: str) -> str:
    """SHA-256 of a public key as OpenSSH shows it."""
    raw = base64.b64decode(public.split()[1])
    return "SHA256:" + base64.b64encode(hashlib.sha256(raw).digest()).decode().rstrip("=")


def sign(key: Ed25519PrivateKey, message: bytes) -> str:
    """Signature in base 64."""
    return base64.b64encode(key.sign(message)).decode()


def is_signed_by(public: str, signature: str, message: bytes) -> bool:
    """Whether the holder of a public key's private half signed this."""
    try:
        key = serialization.load_ssh_public_key(public.encode())
        if not isinstance(key, Ed25519PublicKey):
            return False
        key.verify(base64.b64decode(signature, validate=True), message)
    except (InvalidSignature, ValueError):
        return False
    return True
