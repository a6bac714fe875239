"""A link that lets one caller in at a time, and needs a moment to see him gone."""

from __future__ import annotations

import socket
import threading
import time

from drivers.virtual.links.serving import Executes


class OneCaller:
    """Serves a device on a free loopback port; a second caller is let in and hung up on (common practice).

    :param seen_gone_s: how long a caller that has gone is taken to be there still.
    """

    def __init__(self, device: Executes, seen_gone_s: float) -> None:
        self._device = device
        self._seen_gone_s = seen_gone_s
        self._busy = False
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._thread = threading.Thread(target=self._listen, daemon=True)
        self._thread.start()

    @property
    def resource(self) -> str:
        """VISA resource string."""
        return f"TCPIP::127.0.0.1::{self._listener.getsockname()[1]}::SOCKET"

    def close(self) -> None:
        """Stop serving."""
        # a listener that is only closed would leave its thread waiting
        self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self._thread.join(timeout=5)

    def _listen(self) -> None:
        while True:
            try:
                caller, _ = self._listener.accept()
            except OSError:
                return
            if self._busy:
                caller.close()
                continue
            self._busy = True
            threading.Thread(target=self._serve, args=(caller,), daemon=True).start()

    def _serve(self, caller: socket.socket) -> None:
        with caller, caller.makefile("rb") as lines:
            for line in lines:
                answer = self._device.execute(line.decode("ascii").rstrip("\r\n"))
                if answer is not None:
                    caller.sendall(f"{answer}\n".encode("ascii"))
        time.sleep(self._seen_gone_s)
        self._busy = False
