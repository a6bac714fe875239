"""A device inside this program: messages and answers are handed over, without socket or thread.

Answers wait in the conversation until they are read, in order, as they do on a raw socket; so whatever spoils
them there spoils them here.
"""

from __future__ import annotations

import itertools
from collections import deque
from collections.abc import Callable

from drivers.clock import Clock, RealClock
from drivers.link import DIRECT, LinkKind, offer, withdraw
from drivers.virtual.links.serving import After, Executes, Link, Spoiler, at_once

_numbers = itertools.count(1)


class DirectLink(Link):
    """Serves one device to any number of callers in this process, on the caller's own thread.

    :param clock: what answers are awaited by; on an instant clock a silent device costs no real time.
    """

    def __init__(
        self,
        device: Executes,
        *,
        termination: str = "\n",
        before_answer: Callable[[str], float] = at_once,
        spoiler: Spoiler | None = None,
        clock: Clock | None = None,
    ) -> None:
        super().__init__(device, termination=termination, before_answer=before_answer, spoiler=spoiler)
        self.clock: Clock = clock if clock is not None else RealClock()
        self._resource = f"{DIRECT}{next(_numbers)}::INSTR"
        offer(self._resource, lambda: Conversation(self))

    @property
    def resource(self) -> str:
        """Resource string; it means something in this process only."""
        return self._resource

    def close(self) -> None:
        """Stop serving: every caller is disconnected; a second time does nothing."""
        self._closing.set()
        withdraw(self._resource)

    @property
    def closed(self) -> bool:
        """Whether it is closed."""
        return self._closing.is_set()

    def closed_within(self, duration_s: float) -> bool:
        """Let so much time pass, or less when the link is closed meanwhile; whether it is closed."""
        if duration_s > 0.0 and isinstance(self.clock, RealClock):
            return self._closing.wait(duration_s)
        self.clock.sleep(duration_s)
        return self._closing.is_set()


class Conversation:
    """The caller's end of a direct link (:class:`drivers.link.Link`).

    :raises ConnectionError: callers are turned away.
    """

    kind = LinkKind.DIRECT

    def __init__(self, link: DirectLink) -> None:
        if not link.admits():
            raise ConnectionRefusedError("it takes no callers at present")
        self.resource = link.resource
        self.clock = link.clock
        self._link = link
        self._open = True
        self._deaf = False
        self._coming: deque[tuple[float, bytes]] = deque()
        self._arrived = b""

    def write(self, message: str) -> None:
        """Have one message executed; its answer comes when its time has come.

        :raises ConnectionError: the link is closed.
        """
        self._require_open()
        if self._deaf:
            return
        data, delay_s, after = self._link.respond(message)
        self._open = after is not After.HANG_UP
        self._deaf = after is After.GO_DEAF
        if delay_s > 0.0 or self._coming:
            # an instrument does one thing at a time: what it answers later waits for what it answers first
            before_s = self._coming[-1][0] if self._coming else 0.0
            self._coming.append((max(self.clock.now(), before_s) + delay_s, data))
        else:
            self._arrived += data

    def read(self, timeout_s: float) -> str:
        """Receive one message, without its terminator and the blanks at its ends.

        :raises TimeoutError: no whole message came in time.
        :raises ConnectionError: the link is closed, or was closed meanwhile.
        """
        self._require_open()
        deadline_s = self.clock.now() + timeout_s
        while (end := self._arrived.find(self._link.end)) < 0:
            now_s = self.clock.now()
            ready_s = self._coming[0][0] if self._coming else float("inf")
            if self._link.closed_within(min(ready_s, deadline_s) - now_s):
                raise ConnectionError("the other end has closed the link")
            if ready_s > deadline_s:
                raise TimeoutError(f"nothing came within {timeout_s:g} s")
            self._arrived += self._coming.popleft()[1]
        line, self._arrived = self._arrived[:end], self._arrived[end + 1 :]
        return line.decode("latin-1").strip(" \t\r\n")

    def unread(self) -> bool:
        """Whether an answer lies here that nobody asked for.

        :raises ConnectionError: the link is closed.
        """
        self._require_open()
        while self._coming and self._coming[0][0] <= self.clock.now():
            self._arrived += self._coming.popleft()[1]
        return bool(self._arrived)

    def clear(self) -> None:
        """Discard what has arrived."""
        self._arrived = b""

    def close(self) -> None:
        """Close this end."""
        self._open = False

    def abandon(self) -> None:
        """Close this end."""
        self._open = False

    def _require_open(self) -> None:
        if not self._open or self._link.closed:
            raise ConnectionError("the link is closed")
