"""The service manager's notify protocol: one datagram for each thing that is to be known of a running service.

The protocol is that of sd_notify(3) and sd_watchdog_enabled(3): lines of KEY=VALUE to the AF_UNIX datagram socket that
NOTIFY_SOCKET names, either a path or, behind an "@", a name in the abstract name space. Without a service manager there
is no such socket, and nothing is sent. A notification that fails is counted and forgotten: the loop that feeds the
watchdog must neither wait for the manager nor stumble over it.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping

LONGEST_STATUS = 200
"""Characters of a status line; one datagram has to hold it."""


class Notifier:
    """The way to the service manager, if one is there.

    environment : the variables that the manager set; None for those of this process
    """

    def __init__(self, environment: Mapping[str, str] | None = None) -> None:
        found = os.environ if environment is None else environment
        self.watchdog_s = _watchdog_s(found)
        """Longest time between two calls of `alive` [s], twice what the manager recommends; None without a watchdog."""
        self.failures = 0
        """Notifications that did not get through."""
        name = found.get("NOTIFY_SOCKET", "")
        self._address = "\0" + name[1:] if name.startswith("@") else name
        self._socket: socket.socket | None = None

    def ready(self) -> None:
        """Say that the meter measures: whatever waited for it may start."""
        self._send("READY=1")

    def status(self, words: str) -> None:
        """Show one line in `systemctl status`."""
        self._send("STATUS=" + " ".join(words.split())[:LONGEST_STATUS])

    def alive(self) -> None:
        """Feed the watchdog."""
        self._send("WATCHDOG=1")

    def stopping(self) -> None:
        """Say that the meter is on its way down."""
        self._send("STOPPING=1")

    def extend(self, duration_s: float) -> None:
        """Ask for another `duration_s` to start or to stop [s], counted from now."""
        self._send(f"EXTEND_TIMEOUT_USEC={max(1, round(1e6 * duration_s))}")

    def close(self) -> None:
        """Let go of the socket; harmless twice."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _send(self, message: str) -> None:
        if not self._address:
            return
        try:
            if self._socket is None:
                self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
                self._socket.setblocking(False)
            self._socket.sendto(message.encode(), self._address)
        except (OSError, ValueError):  # ValueError: a name that no address can hold
            self.failures += 1


def _watchdog_s(environment: Mapping[str, str]) -> float | None:
    """Return the time that the manager waits for a sign of life from this process [s]; None if it does not."""
    try:
        limit_usec = int(environment.get("WATCHDOG_USEC", "0"))
        meant = int(environment.get("WATCHDOG_PID") or os.getpid())
    except ValueError:
        return None
    return 1e-6 * limit_usec if limit_usec > 0 and meant == os.getpid() else None
