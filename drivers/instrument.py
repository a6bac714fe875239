"""What every role of an instrument has: the link that it speaks on, closed together with it."""

from __future__ import annotations

from typing import Self

from drivers.session import Session


class Instrument:
    """An instrument in one role; leaving its ``with`` block closes the link.

    :param session: open link to the instrument; closed together with it.
    """

    def __init__(self, session: Session) -> None:
        self.session = session

    def close(self) -> None:
        """Close the link."""
        self.session.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_exception: object) -> None:
        self.close()
