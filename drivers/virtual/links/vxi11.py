"""A device behind VXI-11 (VXIbus Consortium, VXI-11 revision 1.0): remote procedure calls over TCP.

The port is stated in the resource string, so that no port mapper (whose port needs privileges) has to run.
"""

from __future__ import annotations

import enum
import itertools
import socket
import struct
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

from drivers.virtual.links.serving import Executes, Link, TcpServer, at_once

_CORE_PROGRAM = 0x0607AF
_LAST_FRAGMENT = 0x8000_0000
_LARGEST_MESSAGE = 1 << 20
_END_FLAG = 8
_REASON_COUNT, _REASON_END = 1, 4
# RFC 5531: a reply, accepted, with no verifier, and then success or another verdict
_ACCEPTED = struct.pack("!4I", 1, 0, 0, 0)


class _Procedure(enum.IntEnum):
    CREATE_LINK = 10
    WRITE = 11
    READ = 12
    READ_STATUS = 13
    CLEAR = 15
    DESTROY_LINK = 23


class _Accept(enum.IntEnum):
    SUCCESS = 0
    PROGRAM_UNAVAILABLE = 1
    GARBAGE_ARGUMENTS = 4


class _Error(enum.IntEnum):
    NONE = 0
    NOT_SUPPORTED = 8
    TIMEOUT = 15


@dataclass(slots=True)
class _Answer:
    rest: bytes
    due_s: float


class Vxi11Link(Link):
    """Serves one device over VXI-11 on a free loopback port.

    The answers wait in one queue of the device, whichever link asked, as behind a gateway: a late answer
    survives the link that asked for it, and only a device clear empties the queue.
    """

    def __init__(
        self,
        device: Executes,
        *,
        termination: str = "\n",
        before_answer: Callable[[str], float] = at_once,
    ) -> None:
        super().__init__(device, termination=termination, before_answer=before_answer)
        self._answers: deque[_Answer] = deque()
        self._links = itertools.count(1)
        self._message = bytearray()
        self._server = TcpServer(lambda connection: _Calls(self, connection), self._closing)

    @property
    def resource(self) -> str:
        """VISA resource string."""
        return f"TCPIP::127.0.0.1,{self._server.port}::inst0::INSTR"

    def close(self) -> None:
        """Stop serving: every caller is disconnected, and no thread or socket is left."""
        self._server.close()

    def call(self, procedure: int, arguments: bytes) -> bytes:
        """Carry out one procedure and return its packed result.

        :raises struct.error: the arguments are not those of the procedure.
        """
        match procedure:
            case _Procedure.CREATE_LINK:
                result = struct.pack("!iiII", _Error.NONE, next(self._links), 0, _LARGEST_MESSAGE)
            case _Procedure.WRITE:
                result = self._write(arguments)
            case _Procedure.READ:
                result = self._read(arguments)
            case _Procedure.READ_STATUS:
                result = struct.pack("!iI", _Error.NONE, 0)
            case _Procedure.CLEAR:
                self._message.clear()
                self._answers.clear()
                result = struct.pack("!i", _Error.NONE)
            case _Procedure.DESTROY_LINK:
                result = struct.pack("!i", _Error.NONE)
            case _:
                result = struct.pack("!i", _Error.NOT_SUPPORTED)
        return result

    def _write(self, arguments: bytes) -> bytes:
        _link, _io_ms, _lock_ms, flags, length = struct.unpack_from("!iIIiI", arguments)
        (data,) = struct.unpack_from(f"!{length}s", arguments, 20)
        self._message += data
        if flags & _END_FLAG:
            message = bytes(self._message).rstrip(b"\r\n").decode("latin-1")
            self._message.clear()
            answer, delay_s, _ = self.respond(message)
            if answer:
                self._answers.append(_Answer(answer, time.monotonic() + delay_s))
        return struct.pack("!iI", _Error.NONE, length)

    def _read(self, arguments: bytes) -> bytes:
        _link, size, io_ms, _lock_ms, _flags, _terminator = struct.unpack_from("!iIIIii", arguments)
        now_s = time.monotonic()
        due_s = self._answers[0].due_s if self._answers else float("inf")
        self._closing.wait(max(0.0, min(due_s - now_s, io_ms / 1000)))
        if due_s > now_s + io_ms / 1000:
            return struct.pack("!iiI", _Error.TIMEOUT, 0, 0)
        answer = self._answers[0]
        data, answer.rest = answer.rest[:size], answer.rest[size:]
        if not answer.rest:
            self._answers.popleft()
        reason = _REASON_COUNT if answer.rest else _REASON_END
        return struct.pack("!iiI", _Error.NONE, reason, len(data)) + data + bytes(-len(data) % 4)


class _Calls:
    """One connection: records in, each a call, and their replies out."""

    def __init__(self, link: Vxi11Link, connection: socket.socket) -> None:
        self._link = link
        self._connection = connection
        self._buffer = bytearray()
        self._record = bytearray()

    def received(self, data: bytes) -> bool:
        self._buffer += data
        while len(self._buffer) >= 4:
            (mark,) = struct.unpack_from("!I", self._buffer)
            length = mark & ~_LAST_FRAGMENT
            if length > _LARGEST_MESSAGE:
                return False
            if len(self._buffer) < 4 + length:
                return True
            self._record += self._buffer[4 : 4 + length]
            del self._buffer[: 4 + length]
            if mark & _LAST_FRAGMENT:
                record = bytes(self._record)
                self._record.clear()
                if not self._reply(record):
                    return False
        return True

    def _reply(self, record: bytes) -> bool:
        try:
            transaction, kind, version, program, _, procedure = struct.unpack_from("!6I", record)
            credentials = struct.unpack_from("!2I", record, 24)[1]
            verifier = struct.unpack_from("!2I", record, 32 + credentials)[1]
        except struct.error:
            return False
        if kind != 0 or version != 2:
            return False
        accept, result = self._called(program, procedure, record[40 + credentials + verifier :])
        reply = struct.pack("!I", transaction) + _ACCEPTED + struct.pack("!I", accept) + result
        self._connection.sendall(struct.pack("!I", _LAST_FRAGMENT | len(reply)) + reply)
        return True

    def _called(self, program: int, procedure: int, arguments: bytes) -> tuple[_Accept, bytes]:
        if program != _CORE_PROGRAM:
            return _Accept.PROGRAM_UNAVAILABLE, b""
        try:
            return _Accept.SUCCESS, self._link.call(procedure, arguments)
        except struct.error:
            return _Accept.GARBAGE_ARGUMENTS, b""
