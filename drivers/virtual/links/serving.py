"""What every link does: messages in, answers out when their time has come, until it is closed."""

from __future__ import annotations

import selectors
import socket
import threading
from abc import ABC, abstractmethod
from collections.abc import Callable
from enum import Enum, auto
from typing import NamedTuple, Protocol

_LONGEST_MESSAGE = 1 << 20


class Executes(Protocol):
    """What a link serves; messages come without terminator and go without one."""

    def execute(self, message: str) -> str | None:
        """Execute a program message and return its response, if it has one."""
        ...


class After(Enum):
    """What the link does with a connection after an answer."""

    STAY = auto()
    HANG_UP = auto()
    GO_DEAF = auto()
    """Half open: whatever the caller sends from now on goes nowhere."""


class Outgoing(NamedTuple):
    """The bytes of an answer, how long to hold them back, s, and what becomes of the connection."""

    data: bytes
    delay_s: float = 0.0
    after: After = After.STAY


class Spoiler(Protocol):
    """What may stand between a link and its device (:class:`drivers.virtual.trouble.Troublemaker`)."""

    def before(self) -> None:
        """A message has come and is about to be executed."""
        ...

    def after(self, whole: Outgoing) -> Outgoing:
        """Return what becomes of an answer."""
        ...

    def admits(self) -> bool:
        """Whether a new caller is let in."""
        ...


def at_once(_message: str) -> float:
    """Answer without delay: the default of every link's ``before_answer``."""
    return 0.0


class Link(ABC):
    """A device that can be reached under a VISA resource string until the link is closed.

    :param device: what executes the messages.
    :param termination: what ends a response; where lines mark a message, one that comes in ends with a line
        feed, with or without a carriage return, or with a carriage return alone where that ends a response.
    :param before_answer: called with each message; the answer is held back for as many seconds of the link's time.
    :param spoiler: what stands between link and device; nothing, where None.
    """

    def __init__(
        self,
        device: Executes,
        *,
        termination: str = "\n",
        before_answer: Callable[[str], float] = at_once,
        spoiler: Spoiler | None = None,
    ) -> None:
        self._spoiler = spoiler
        self._device = device
        self._termination = termination
        self._before_answer = before_answer
        self._closing = threading.Event()

    @property
    @abstractmethod
    def resource(self) -> str:
        """VISA resource string."""

    @abstractmethod
    def close(self) -> None:
        """Stop serving: every caller is disconnected, and no thread, socket or descriptor is left."""

    @property
    def end(self) -> bytes:
        """The byte that ends a message, in both directions."""
        return b"\r" if self._termination == "\r" else b"\n"

    def respond(self, message: str) -> Outgoing:
        """Execute a message; return what to send, and when."""
        if self._spoiler is not None:
            self._spoiler.before()
        response = self._device.execute(message)
        if response is None:
            whole = Outgoing(b"")
        else:
            whole = Outgoing((response + self._termination).encode("latin-1"), self._before_answer(message))
        return whole if self._spoiler is None else self._spoiler.after(whole)

    def admits(self) -> bool:
        """Whether a new caller is let in."""
        return self._spoiler is None or self._spoiler.admits()

    def answer(self, message: str) -> bytes:
        """Execute a message, wait, and return the bytes to send: none without an answer, or when closing."""
        return self.waited(self.respond(message))

    def waited(self, outgoing: Outgoing) -> bytes:
        """Wait until an answer is due and return its bytes: none when closing."""
        return b"" if self._closing.wait(outgoing.delay_s) else outgoing.data


class Lines:
    """Cuts a stream of bytes into messages at line feeds; a carriage return before one goes with it.

    :param end: cuts instead of the line feed, which then goes with whatever it stands beside.
    """

    def __init__(self, end: bytes = b"\n") -> None:
        self._end = end
        self._rest = bytearray()

    def feed(self, data: bytes) -> list[str]:
        """Take bytes in and return the messages that are complete now.

        :raises OverflowError: a message is longer than any that can be meant.
        """
        self._rest += data
        *lines, rest = self._rest.split(self._end)
        if len(rest) > _LONGEST_MESSAGE:
            raise OverflowError(f"a message is longer than {_LONGEST_MESSAGE} bytes")
        self._rest = bytearray(rest)
        return [line.removeprefix(b"\n").removesuffix(b"\r").decode("latin-1") for line in lines]


class Caller(Protocol):
    """One connection to a link: how it takes in what arrives."""

    def received(self, data: bytes) -> bool:
        """Deal with bytes from the connection; false when the connection is to be closed."""
        ...


class TcpServer:
    """Serves connections on a free loopback port from one thread, one thing after another.

    Like many an instrument it does one thing at a time: a message that takes long holds up all that come
    after it.

    :param called: makes the caller for a new connection.
    :param closing: set when the server stops; whoever waits in a caller waits on it.
    """

    def __init__(self, called: Callable[[socket.socket], Caller], closing: threading.Event) -> None:
        self._called = called
        self._closing = closing
        self._callers: dict[socket.socket, Caller] = {}
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._wake, self._woken = socket.socketpair()
        self._thread = threading.Thread(target=self._serve, name=f"link on port {self.port}", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Stop serving: every caller is disconnected, and no thread or socket is left."""
        if not self._closing.is_set():
            # woken first: once the thread may leave, it closes the other end
            self._wake.send(b"\0")
            self._closing.set()
            self._thread.join()
            self._wake.close()

    def _serve(self) -> None:
        with selectors.DefaultSelector() as selector:
            selector.register(self._listener, selectors.EVENT_READ)
            selector.register(self._woken, selectors.EVENT_READ)
            try:
                while not self._closing.is_set():
                    for key, _ in selector.select():
                        self._attend(selector, key.fileobj)
            finally:
                for connection in [*self._callers, self._listener, self._woken]:
                    connection.close()

    def _attend(self, selector: selectors.BaseSelector, ready: object) -> None:
        if ready is self._listener:
            connection, _ = self._listener.accept()
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._callers[connection] = self._called(connection)
            selector.register(connection, selectors.EVENT_READ)
        elif isinstance(ready, socket.socket) and ready in self._callers and not self._converse(ready):
            selector.unregister(ready)
            del self._callers[ready]
            ready.close()

    def _converse(self, connection: socket.socket) -> bool:
        """Pass on what has arrived; false when the connection is over, whichever side ended it."""
        try:
            data = connection.recv(1 << 16)
            return bool(data) and self._callers[connection].received(data)
        except (OSError, OverflowError):
            return False
