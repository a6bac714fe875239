"""What holds a database open until it is closed."""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import TYPE_CHECKING, Self

if TYPE_CHECKING:
    from types import TracebackType


class Opened(ABC):
    """Closes itself at the end of a ``with`` block."""

    @abstractmethod
    def close(self) -> None:
        """Let go of the database."""

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
