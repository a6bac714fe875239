"""The proof that an answer belongs to its question: a number written before it and read back after it."""

from __future__ import annotations

from drivers.dialect import LinkDialect


class Tokens:
    """Builds messages that carry a token, a new one for each, and recognises the token in an answer.

    For an instrument without such a register the messages go out bare and every answer is taken as proven.
    """

    def __init__(self, dialect: LinkDialect) -> None:
        self._read = dialect.token_read
        self._count = dialect.token_count if dialect.token_write else 0
        self._writes = tuple(dialect.token_write.format(token=token) for token in range(self._count + 1))
        self._identity = dialect.identity
        self._last = 0

    @property
    def known(self) -> bool:
        """Whether the instrument has a register for tokens."""
        return self._count > 0

    def around(self, query: str) -> str:
        """Put a new token around a query; it comes back behind the answer."""
        if not self._count:
            return query
        root = "" if query[:1] in "*:" else ":"
        return f"{self._new()};{root}{query};{self._read}"

    def after(self, command: str) -> str:
        """Put a new token behind a command; it comes back behind whatever the command answers."""
        return f"{command};{self._new()};{self._read}" if self._count else command

    def identity(self) -> str:
        """Ask for the identity with a new token before it, and so before the answer.

        No query may follow ``*IDN?`` in a message (IEEE 488.2-1992, 10.14.3).
        """
        return f"{self._new()};{self._read};{self._identity}" if self._count else self._identity

    def behind(self, reply: str) -> str | None:
        """Return what stands before the last token at the end of a reply; ``None`` when another is there, or
        none.
        """
        if not self._count:
            return reply
        answer, _, proof = reply.rpartition(";")
        return answer if self._proves(proof) else None

    def ahead(self, reply: str) -> str | None:
        """Return what follows the last token at the begin of a reply; ``None`` when another is there, or
        none.
        """
        if not self._count:
            return reply
        proof, _, answer = reply.partition(";")
        return answer if self._proves(proof) else None

    def _new(self) -> str:
        self._last = self._last % self._count + 1
        return self._writes[self._last]

    def _proves(self, text: str) -> bool:
        expected = str(self._last)
        return text == expected or text.strip() in {expected, f"+{expected}"}
