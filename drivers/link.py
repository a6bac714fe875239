"""What a session talks through, and the edge to pyvisa: bytes out, bytes in, what became of the other end.

Everything that depends on how pyvisa-py works inside stands here. Its raw sockets 'open' refused ports, do
not let no-delay be set through VISA, and report a closed peer as a timeout after spinning through it; so the
socket underneath is looked at directly.
"""

from __future__ import annotations

import contextlib
import enum
import errno
import select
import socket
import struct
import sys
from collections.abc import Callable
from dataclasses import dataclass
from types import TracebackType
from typing import Any, Literal, Protocol, TypeVar, cast

import pyvisa
from pyvisa.constants import Parity, StatusCode, StopBits
from pyvisa.resources import MessageBasedResource, SerialInstrument
from pyvisa_py.protocols import rpc
from serial import SerialException

from drivers.clock import Clock, RealClock
from drivers.errors import LinkRefused
from drivers.secrets import without_secrets

# What a serial line of a POSIX system says to settings that it does not have; other systems have no such error.
_LINE_REFUSES: tuple[type[Exception], ...] = ()
if sys.platform != "win32":
    import termios

    _LINE_REFUSES = (termios.error,)

# What pyvisa-py lets through when the other end hangs up or breaks the protocol.
_BROKEN: tuple[type[Exception], ...] = (
    OSError, RuntimeError, AssertionError, EOFError, ValueError, KeyError, struct.error, rpc.RPCError,
    pyvisa.errors.Error, *_LINE_REFUSES,
)  # fmt: skip

T = TypeVar("T")

_CHUNK = 20 * 1024
BETWEEN_ATTEMPTS_S = 0.05


class LinkKind(enum.Enum):
    """How a link is brought in step again, and how its other end can be watched."""

    SERIAL = "serial"
    SOCKET = "raw socket"
    HISLIP = "HiSLIP"
    VXI11 = "VXI-11"
    BUS = "bus"
    DIRECT = "inside this program"


@dataclass(frozen=True, slots=True)
class SerialOptions:
    """Settings of a serial line; both ends need the same."""

    baud_rate: int = 9600
    data_bits: Literal[7, 8] = 8
    parity: Literal["none", "odd", "even"] = "none"
    stop_bits: Literal[1, 2] = 1
    flow_control: Literal["none", "xon_xoff", "rts_cts", "dtr_dsr"] = "none"


class Link(Protocol):
    """An open link that sends and receives whole messages.

    Trouble comes out as :class:`TimeoutError` (nothing came in time; the other end is there) or
    :class:`ConnectionError` (the other end is gone).
    """

    @property
    def resource(self) -> str:
        """Resource string under which it was opened."""

    @property
    def kind(self) -> LinkKind:
        """How it is brought in step again."""

    @property
    def clock(self) -> Clock:
        """The time that its other end lives in."""

    def write(self, message: str) -> None:
        """Send one message, without its terminator."""

    def read(self, timeout_s: float) -> str:
        """Receive one message, without its terminator and the blanks at its ends."""

    def unread(self) -> bool:
        """Whether something lies here that nobody asked for; false where that cannot be told."""

    def clear(self) -> None:
        """Discard what has arrived."""

    def close(self) -> None:
        """Close in good order."""

    def abandon(self) -> None:
        """Close without a word to the other end."""


DIRECT = "DIRECT::"
"""Begins the resource strings of instruments that live inside this process."""
_offered: dict[str, Callable[[], Link]] = {}


def offer(resource: str, connect: Callable[[], Link]) -> None:
    """Let :func:`open_link` reach an instrument inside this process.

    :param resource: its resource string, which begins with :data:`DIRECT`.
    :param connect: opens a link to it.
    """
    _offered[resource] = connect


def withdraw(resource: str) -> None:
    """End an offer; nothing happens when there is none."""
    _offered.pop(resource, None)


def open_link(name: str, resource: str, timeout_s: float, termination: str, serial: SerialOptions) -> Link:
    """Open the link behind a resource string: through VISA, or inside this process; see :class:`VisaLink`.

    :raises LinkRefused: it cannot be opened.
    """
    if not resource.startswith(DIRECT):
        return VisaLink(name, resource, timeout_s, termination, serial)
    connect = _offered.get(resource)
    if connect is None:
        raise LinkRefused(
            f"{name} cannot be opened (nothing in this program goes by that name): check its address in the bench file"
        )
    try:
        return connect()
    except ConnectionError as error:
        raise LinkRefused(
            f"{name} cannot be opened ({error}): check that the instrument is on and connected, and its address in the "
            "bench file"
        ) from error


def named(role: str, resource: str) -> str:
    """Role and resource as they begin a sentence, without secrets."""
    return f"{role[:1].upper()}{role[1:]} at {without_secrets(resource)}"


def open_by(deadline_s: float, connect: Callable[[], T], clock: Clock) -> T:
    """Open a link, or a session over it, again and again: who serves one caller needs a moment to see him gone.

    :param deadline_s: when to give up, on the clock given.
    :raises LinkRefused: it could not be opened until then.
    """
    while True:
        try:
            return connect()
        except LinkRefused:
            if clock.now() > deadline_s:
                raise
        clock.sleep(BETWEEN_ATTEMPTS_S)


class VisaLink:
    """One open VISA resource that sends and receives whole messages.

    Trouble comes out as :class:`TimeoutError` (nothing came in time; the other end is there) or
    :class:`ConnectionError` (the other end is gone).

    :param name: role and resource, as they begin a sentence.
    :param resource: VISA resource string.
    :param timeout_s: how long to wait for an answer, and for the link to open.
    :param termination: what ends a message in both directions; its last character is what ends a read.
    :raises LinkRefused: it cannot be opened.
    :raises ValueError: there is no termination.
    """

    def __init__(self, name: str, resource: str, timeout_s: float, termination: str, serial: SerialOptions) -> None:
        if not termination:
            raise ValueError(f"{name} needs something to end a message with, for example a line feed")
        self.resource = resource
        self.clock: Clock = RealClock()
        self._name = name
        self._termination = termination.encode("ascii")
        self._timeout_s = timeout_s
        # One manager serves the whole process and closes itself at exit; it may be in use by others, so it
        # stays open.
        manager = pyvisa.ResourceManager("@py")
        with contextlib.ExitStack() as opening:
            opening.push(self._refuse)
            device = manager.open_resource(resource, open_timeout=int(1000 * timeout_s))
        if not isinstance(device, MessageBasedResource):
            device.close()
            raise LinkRefused(f"{name} takes no messages: check the resource string in the bench file")
        self._device = device
        # pyvisa-py keeps the object behind a session here; VISA itself offers no way to it
        self._session: Any = cast(Any, device.visalib).sessions[device.session]
        self._library = device.visalib
        self._handle = device.session
        self._while_open = contextlib.ExitStack()
        # an answer longer than a chunk is nothing to warn of
        self._while_open.enter_context(device.ignore_warning(StatusCode.success_max_count_read))
        self.kind, self._socket = _kind_and_socket(self._session)
        # over VXI-11 an answer does not come by itself, it is called for
        self._pushed = None if self.kind is LinkKind.VXI11 else self._socket
        with contextlib.ExitStack() as opening:
            opening.push(self._refuse)
            self._configure(serial)

    def write(self, message: str) -> None:
        """Send one message.

        :raises TimeoutError: it could not be sent in time.
        :raises ConnectionError: the other end is gone.
        """
        data = message.encode("latin-1") + self._termination
        try:
            self._library.write(self._handle, data)
        except _BROKEN as error:
            raise self._judged(error) from error

    def read(self, timeout_s: float) -> str:
        """Receive one message, without its terminator and the blanks at its ends.

        Bytes are taken as Latin-1: none is refused here, a number or string with a strange one is refused
        where it is read.

        :raises TimeoutError: no whole message came in time; what came of it is lost.
        :raises ConnectionError: the other end is gone.
        """
        if timeout_s != self._timeout_s:
            self._device.timeout = 1000 * timeout_s
            self._timeout_s = timeout_s
        if self._pushed is not None and not self._buffered() and not self._readable(self._pushed, timeout_s):
            raise TimeoutError(f"nothing came within {timeout_s:g} s")
        data, whole = self._received()
        while not whole:
            more, whole = self._received()
            data += more
        return data.decode("latin-1").strip(" \t\r\n")

    def unread(self) -> bool:
        """Whether bytes lie here that nobody asked for; false on links that cannot tell.

        :raises ConnectionError: the other end is gone.
        """
        if self._socket is not None:
            if self._buffered():
                return True
            return self._readable(self._socket, 0) and self.kind is LinkKind.SOCKET
        if self.kind is LinkKind.SERIAL:
            if not self._session.interface.is_open:
                raise ConnectionError("the link is closed")
            try:
                return bool(self._session.interface.in_waiting)
            except _BROKEN as error:
                raise ConnectionError(_reason(error)) from error
        return False

    def clear(self) -> None:
        """Empty buffers on the way: discard what has arrived; on a bus, clear the device too.

        :raises ConnectionError: the other end is gone.
        """
        try:
            if self.kind is LinkKind.SERIAL:
                self._session.interface.reset_input_buffer()
            else:
                self._device.clear()
        except _BROKEN as error:
            raise ConnectionError(_reason(error)) from error

    def close(self) -> None:
        """Close in good order, or at once when nobody is left to take leave of."""
        try:
            self.unread()
        except ConnectionError:
            self.abandon()
        else:
            self._release()

    def abandon(self) -> None:
        """Close without a word to the other end, which may not be listening any more."""
        if self._socket is not None:
            with contextlib.suppress(OSError):
                self._socket.shutdown(socket.SHUT_RDWR)
        self._release()

    def _release(self) -> None:
        self._while_open.close()
        with contextlib.suppress(*_BROKEN):
            self._device.close()
        # closed is not forgotten there: each link opened anew would leave its session, and what was noted of it
        library = cast(Any, self._library)
        library.sessions.pop(self._handle, None)
        for noted in (library._last_status_in_session, library._ignore_warning_in_session):
            noted.pop(self._handle, None)

    def _configure(self, serial: SerialOptions) -> None:
        self._device.timeout = 1000 * self._timeout_s
        if self.kind in {LinkKind.SERIAL, LinkKind.SOCKET}:
            self._device.read_termination = self._termination.decode("ascii")[-1]
        if self._socket is not None:
            self._socket.getpeername()
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        if isinstance(self._device, SerialInstrument):
            self._device.baud_rate = serial.baud_rate
            self._device.data_bits = serial.data_bits
            self._device.parity = Parity[serial.parity]
            self._device.stop_bits = StopBits.one if serial.stop_bits == 1 else StopBits.two
            # pyvisa-py offers no way to it
            line = self._session.interface
            line.xonxoff = serial.flow_control == "xon_xoff"
            line.rtscts = serial.flow_control == "rts_cts"
            line.dsrdtr = serial.flow_control == "dtr_dsr"

    def _refuse(
        self, kind: type[BaseException] | None, error: BaseException | None, _traceback: TracebackType | None
    ) -> bool:
        """Turn what fails on opening into one sentence; pyvisa-py raises bare ``Exception`` among others."""
        if kind is None or not (kind is Exception or issubclass(kind, _BROKEN)):
            return False
        if hasattr(self, "_device"):
            self.abandon()
        raise LinkRefused(
            f"{self._name} cannot be opened ({_reason(error)}): check that the instrument is on and "
            "connected, and its address in the bench file"
        ) from error

    def _received(self) -> tuple[bytes, bool]:
        """Receive one chunk, and whether the message ends with it."""
        try:
            data, status = self._library.read(self._handle, _CHUNK)
        except _BROKEN as error:
            raise self._judged(error) from error
        return data, status != StatusCode.success_max_count_read

    def _buffered(self) -> bool:
        return self.kind is LinkKind.SOCKET and bool(self._session._pending_buffer)

    def _readable(self, link: socket.socket, timeout_s: float) -> bool:
        """Wait for bytes, and look at the next one without taking it; a closed peer shows as none."""
        if link.fileno() < 0:
            raise ConnectionError("the link is closed")
        if not select.select([link], [], [], timeout_s)[0]:
            return False
        try:
            seen = link.recv(1, socket.MSG_PEEK)
        except OSError as error:
            raise ConnectionError(_reason(error)) from error
        if not seen:
            raise ConnectionError("the other end has closed the link")
        return True

    def _judged(self, error: Exception) -> TimeoutError | ConnectionError:
        """Tell a slow peer from one that is gone."""
        slow = isinstance(error, TimeoutError) or (
            isinstance(error, pyvisa.errors.VisaIOError)
            and error.error_code in {StatusCode.error_timeout, StatusCode.error_io}
        )
        if not slow:
            return ConnectionError(_reason(error))
        try:
            self.unread()
        except OSError as gone:
            return ConnectionError(_reason(gone))
        return TimeoutError(str(error))


def _kind_and_socket(session: Any) -> tuple[LinkKind, socket.socket | None]:
    """Find out which protocol a pyvisa-py session speaks, and the socket on which its answers arrive."""
    interface = session.interface
    for kind, candidate in (
        (LinkKind.SOCKET, interface),
        (LinkKind.HISLIP, getattr(interface, "_sync", None)),
        (LinkKind.VXI11, getattr(interface, "sock", None)),
    ):
        if isinstance(candidate, socket.socket):
            return kind, candidate
    return (LinkKind.SERIAL if hasattr(interface, "baudrate") else LinkKind.BUS), None


def _reason(error: BaseException | None) -> str:
    """What happened, without codes and types."""
    if isinstance(error, OSError) and error.errno == errno.ENOTCONN:
        return "nobody listens there"
    if isinstance(error, _LINE_REFUSES):
        return "the serial line does not take these settings: see to baud_rate, data_bits, parity, stop_bits"
    if isinstance(error, SerialException) and "multiple access" in str(error):
        return "the line hung up, or another program reads it as well"
    if isinstance(error, pyvisa.errors.VisaIOError):
        return error.description.rstrip(".")
    if isinstance(error, OSError) and error.strerror:
        return error.strerror
    # pyvisa-py says in several lines what would have to be installed
    return " ".join(str(error).split()).rstrip(".") or type(error).__name__
