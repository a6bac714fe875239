"""A device behind HiSLIP (IVI-6.1): every message and every answer carries a number."""

from __future__ import annotations

import enum
import itertools
import socket
import struct
from collections.abc import Callable, Iterator

from drivers.virtual.links.serving import Executes, Link, TcpServer, at_once

_HEADER = struct.Struct("!2sBBIQ")
_VERSION_1_0 = 0x0100
_LARGEST_MESSAGE = 1 << 20


class _Kind(enum.IntEnum):
    """Message types of IVI-6.1 that are spoken here."""

    INITIALIZE = 0
    INITIALIZE_RESPONSE = 1
    FATAL_ERROR = 2
    ERROR = 3
    DATA = 6
    DATA_END = 7
    DEVICE_CLEAR_COMPLETE = 8
    DEVICE_CLEAR_ACKNOWLEDGE = 9
    ASYNC_MAX_MSG_SIZE = 15
    ASYNC_MAX_MSG_SIZE_RESPONSE = 16
    ASYNC_INITIALIZE = 17
    ASYNC_INITIALIZE_RESPONSE = 18
    ASYNC_DEVICE_CLEAR = 19
    ASYNC_STATUS_QUERY = 21
    ASYNC_STATUS_RESPONSE = 22
    ASYNC_DEVICE_CLEAR_ACKNOWLEDGE = 23


class HislipLink(Link):
    """Serves one device over HiSLIP on a free loopback port; any number of sessions, in synchronised mode."""

    def __init__(
        self,
        device: Executes,
        *,
        termination: str = "\n",
        before_answer: Callable[[str], float] = at_once,
    ) -> None:
        super().__init__(device, termination=termination, before_answer=before_answer)
        self._sessions = itertools.count(1)
        self._server = TcpServer(lambda connection: _Channel(self, connection), self._closing)

    @property
    def resource(self) -> str:
        """VISA resource string."""
        return f"TCPIP::127.0.0.1::hislip0,{self._server.port}::INSTR"

    def close(self) -> None:
        """Stop serving: every caller is disconnected, and no thread or socket is left."""
        self._server.close()

    def new_session(self) -> int:
        """Return a number for a new session."""
        return next(self._sessions) % 0x10000


class _Channel:
    """One of the two connections of a session; the kind of a message tells which channel it belongs to."""

    def __init__(self, link: HislipLink, connection: socket.socket) -> None:
        self._link = link
        self._connection = connection
        self._buffer = bytearray()
        self._message = bytearray()

    def received(self, data: bytes) -> bool:
        self._buffer += data
        return all(self._handle(*message) for message in self._complete())

    def _complete(self) -> Iterator[tuple[int, int, bytes]]:
        """Cut off whole messages: kind, parameter, payload; an unknown start of a message has kind -1."""
        while len(self._buffer) >= _HEADER.size:
            prologue, kind, _, parameter, length = _HEADER.unpack_from(self._buffer)
            if prologue != b"HS" or length > _LARGEST_MESSAGE:
                yield -1, 0, b""
                return
            if len(self._buffer) < _HEADER.size + length:
                return
            payload = bytes(self._buffer[_HEADER.size : _HEADER.size + length])
            del self._buffer[: _HEADER.size + length]
            yield kind, parameter, payload

    def _handle(self, kind: int, parameter: int, payload: bytes) -> bool:
        match kind:
            case _Kind.INITIALIZE:
                self._send(_Kind.INITIALIZE_RESPONSE, _VERSION_1_0 << 16 | self._link.new_session())
            case _Kind.ASYNC_INITIALIZE:
                self._send(_Kind.ASYNC_INITIALIZE_RESPONSE, 0)
            case _Kind.ASYNC_MAX_MSG_SIZE:
                self._send(_Kind.ASYNC_MAX_MSG_SIZE_RESPONSE, 0, struct.pack("!Q", _LARGEST_MESSAGE))
            case _Kind.ASYNC_STATUS_QUERY:
                self._send(_Kind.ASYNC_STATUS_RESPONSE, 0)
            case _Kind.ASYNC_DEVICE_CLEAR:
                self._send(_Kind.ASYNC_DEVICE_CLEAR_ACKNOWLEDGE, 0)
            case _Kind.DEVICE_CLEAR_COMPLETE:
                self._message.clear()
                self._send(_Kind.DEVICE_CLEAR_ACKNOWLEDGE, 0)
            case _Kind.DATA | _Kind.DATA_END:
                self._message += payload
                if kind == _Kind.DATA_END:
                    self._execute(parameter)
            case _Kind.FATAL_ERROR | -1:
                return False
            case _:
                self._send(_Kind.ERROR, 0, b"Unrecognized Message Type", control=1)
        return True

    def _execute(self, message_id: int) -> None:
        message = bytes(self._message).rstrip(b"\r\n").decode("latin-1")
        self._message.clear()
        answer = self._link.answer(message)
        if answer:
            self._send(_Kind.DATA_END, message_id, answer)

    def _send(self, kind: _Kind, parameter: int, payload: bytes = b"", control: int = 0) -> None:
        self._connection.sendall(_HEADER.pack(b"HS", kind, control, parameter, len(payload)) + payload)
