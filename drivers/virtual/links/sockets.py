"""A device on a raw TCP socket: lines in, lines out."""

from __future__ import annotations

import socket
from collections.abc import Callable

from drivers.virtual.links.serving import After, Executes, Lines, Link, Spoiler, TcpServer, at_once


class SocketLink(Link):
    """Serves one device to any number of callers on a free loopback port."""

    def __init__(
        self,
        device: Executes,
        *,
        termination: str = "\n",
        before_answer: Callable[[str], float] = at_once,
        spoiler: Spoiler | None = None,
    ) -> None:
        super().__init__(device, termination=termination, before_answer=before_answer, spoiler=spoiler)
        self._server = TcpServer(lambda connection: _Conversation(self, connection), self._closing)

    @property
    def port(self) -> int:
        """TCP port on the loopback address."""
        return self._server.port

    @property
    def resource(self) -> str:
        """VISA resource string."""
        return f"TCPIP::127.0.0.1::{self.port}::SOCKET"

    def close(self) -> None:
        """Stop serving: every caller is disconnected, and no thread or socket is left."""
        self._server.close()


class _Conversation:
    def __init__(self, link: SocketLink, connection: socket.socket) -> None:
        self._link = link
        self._connection = connection
        self._lines = Lines(link.end)
        self._admitted = link.admits()
        self._deaf = False

    def received(self, data: bytes) -> bool:
        if not self._admitted:
            return False
        for message in [] if self._deaf else self._lines.feed(data):
            outgoing = self._link.respond(message)
            self._connection.sendall(self._link.waited(outgoing))
            if outgoing.after is After.HANG_UP:
                return False
            self._deaf = self._deaf or outgoing.after is After.GO_DEAF
        return True
