"""Instruments for driver tests, all behind real sockets and terminals."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from drivers.scpi import split_units

IDENTITY = "Invented Instruments,Echo,0001,1.0"
OPENING = [
    ("*ESE 1;*ESE?;*IDN?", f"1;{IDENTITY}"),
    ("*CLS;:SYST:ERR?;*ESE 2;*ESE?", '0,"No error";2'),
]


HANG_UP = b""


class ScriptedInstrument:
    """Expects the listed messages in order on a TCP socket and sends the listed text or bytes for each.

    ``None`` stands for no answer, and :data:`HANG_UP` for a connection that is closed instead.
    """

    def __init__(self, pairs: list[tuple[str, str | bytes | None]]) -> None:
        self._pairs = list(pairs)
        self.received: list[str] = []
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.resource = f"TCPIP::127.0.0.1::{self._listener.getsockname()[1]}::SOCKET"
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        while True:
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            with connection, connection.makefile("rb") as lines:
                for line in lines:
                    if not self._answer(connection, line.decode("latin-1").rstrip("\n")):
                        break

    def _answer(self, connection: socket.socket, message: str) -> bool:
        position = len(self.received)
        self.received.append(message)
        if position >= len(self._pairs) or self._pairs[position][0] != message:
            return False
        reply = self._pairs[position][1]
        if reply == HANG_UP:
            return False
        if reply is not None:
            connection.sendall(reply if isinstance(reply, bytes) else reply.encode() + b"\n")
        return True

    def close(self) -> None:
        self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self._thread.join(timeout=5)
        assert self.received == [sent for sent, _ in self._pairs]


@contextmanager
def on_the_wire(pairs: list[tuple[str, str | bytes | None]]) -> Iterator[str]:
    """Serve a script behind the opening of a session; every pair must be used, and nothing more be sent."""
    instrument = ScriptedInstrument([*OPENING, *pairs])
    yield instrument.resource
    instrument.close()


class EchoInstrument:
    """Answers ``ECHO? <text>`` with the text, so that an answer tells which question it belongs to.

    ``spoil`` may turn the response to a message into what a broken instrument sends. One that
    ``drops_rejected`` forgets a whole message at its first error, so that no answer comes; others carry on.
    """

    def __init__(
        self,
        spoil: Callable[[str, str], str] = lambda _message, response: response,
        *,
        drops_rejected: bool = False,
    ) -> None:
        self.spoil = spoil
        self.identity = IDENTITY
        self.errors: list[str] = []
        self.received: list[str] = []
        self._drops_rejected = drops_rejected
        self._enable = 0

    def execute(self, message: str) -> str | None:
        self.received.append(message)
        answers: list[str] = []
        for unit in split_units(message):
            known = len(self.errors)
            answer = self._unit(unit)
            if self._drops_rejected and len(self.errors) > known:
                return None
            answers += [] if answer is None else [answer]
        return self.spoil(message, ";".join(answers)) if answers else None

    def _unit(self, unit: str) -> str | None:
        header, _, argument = unit.removeprefix(":").partition(" ")
        match header:
            case "*IDN?":
                return self.identity
            case "*ESE":
                self._enable = int(argument)
            case "*ESE?":
                return str(self._enable)
            case "*CLS":
                self.errors.clear()
            case "SYST:ERR?":
                return self.errors.pop(0) if self.errors else '0,"No error"'
            case "ECHO?":
                return argument
            case "SET":
                pass
            case _:
                self.errors.append(f'-113,"Undefined header;{header}"')
        return None
