"""Files that hold a secret: used only where nobody but their owner can read them."""

import os
import stat
from pathlib import Path

from db.errors import Exposed, KeyProblem

OTHERS = stat.S_IRWXG | stat.S_IRWXO


def require_private(path: Path, what: str) -> None:
    """See that only its owner can read a file. On Windows its folder's access list decides, and nothing is asked.

    :param what: what the file is, for the sentence.
    :raises Exposed: its group or everybody has some right on it.
    :raises OSError: it cannot be looked at.
    """
    if os.name == "posix" and stat.S_IMODE(path.stat().st_mode) & OTHERS:
        raise Exposed(
            f"The {what} {path} can be read by others on this computer: run chmod 600 on it, and change what "
            "stands in it if others may have seen it."
        )


def read_private(path: Path, what: str) -> str:
    """Text of a file that holds a secret, without blanks at its ends.

    :raises Exposed: others can read it.
    :raises KeyProblem: it cannot be read, or is no text.
    """
    try:
        require_private(path, what)
        return path.read_text(encoding="utf-8").strip()
    except OSError as error:
        raise KeyProblem(
            f"The {what} {path} cannot be read ({error.strerror}): check its place and its rights."
        ) from None
    except UnicodeDecodeError:
        raise KeyProblem(f"The {what} {path} holds something else than text: name the right file.") from None


def write_private(path: Path, text: str, what: str) -> None:
    """Write a new file that only its owner can read; it lies there whole or not at all.

    :raises FileExistsError: there is a file of that name.
    :raises KeyProblem: it cannot be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        written = path.with_name(f"{path.name}.{os.getpid()}.new")
        handle = os.open(written, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        try:
            os.link(written, path)
        finally:
            written.unlink()
    except FileExistsError:
        raise
    except OSError as error:
        raise KeyProblem(
            f"The {what} {path} cannot be written ({error.strerror}): make its folder writable, or name another place."
        ) from None
