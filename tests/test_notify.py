"""What goes to the service manager, received on real sockets.

Source of the protocol: the manual pages sd_notify(3) and sd_watchdog_enabled(3) of systemd.
"""

from __future__ import annotations

import os
import socket
import uuid
from contextlib import ExitStack, closing

import pytest

from flattop.notify import LONGEST_STATUS, Notifier


@pytest.fixture
def notifier_of():
    """Return how to make a notifier that is closed after the test."""
    with ExitStack() as opened:
        yield lambda environment=None: opened.enter_context(closing(Notifier(environment)))


@pytest.fixture(params=["path", "abstract"])
def manager(request, tmp_path):
    """Return a manager's socket and what it calls it."""
    name = str(tmp_path / "notify") if request.param == "path" else f"@flattop-{uuid.uuid4()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as receiver:
        receiver.bind(name.replace("@", "\0", 1) if request.param == "abstract" else name)
        receiver.settimeout(2)
        yield receiver, name


def test_every_message_arrives_as_the_manual_spells_it(manager, notifier_of):
    receiver, name = manager
    notifier = notifier_of({"NOTIFY_SOCKET": name})
    notifier.ready()
    notifier.status("clean,\n 61.6 V\tat 40 Hz")
    notifier.alive()
    notifier.extend(12.5)
    notifier.stopping()
    received = [receiver.recv(4096) for _ in range(5)]
    notifier.close()
    notifier.close()
    assert received == [
        b"READY=1",
        b"STATUS=clean, 61.6 V at 40 Hz",
        b"WATCHDOG=1",
        b"EXTEND_TIMEOUT_USEC=12500000",
        b"STOPPING=1",
    ]
    assert notifier.failures == 0


def test_a_status_cannot_smuggle_a_second_assignment_and_stays_short(manager, notifier_of):
    receiver, name = manager
    notifier_of({"NOTIFY_SOCKET": name}).status("card full\nSTOPPING=1 " + 500 * "x")
    message = receiver.recv(4096)
    assert b"\n" not in message
    assert len(message) == len("STATUS=") + LONGEST_STATUS


def test_without_a_manager_nothing_is_sent_and_nothing_is_wrong(monkeypatch, notifier_of):
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    notifier = notifier_of()
    notifier.ready()
    notifier.alive()
    assert notifier.failures == 0
    assert notifier.watchdog_s is None


@pytest.mark.parametrize("name", ["/nowhere/at/all", "@nobody-listens-here", "/" + 300 * "x", "@" + 300 * "x", "a\0b"])
def test_a_manager_that_cannot_be_reached_is_counted_not_raised(name, notifier_of):
    notifier = notifier_of({"NOTIFY_SOCKET": name})
    for _ in range(3):
        notifier.alive()
    assert notifier.failures == 3


def test_a_manager_that_does_not_read_never_holds_the_loop_up(manager, notifier_of):
    receiver, name = manager
    notifier = notifier_of({"NOTIFY_SOCKET": name})
    for _ in range(5000):  # far more than the kernel keeps for a reader that sleeps
        notifier.alive()
    assert 0 < notifier.failures < 5000
    while notifier.failures:  # and it goes on once there is room again
        receiver.recv(64)
        before = notifier.failures
        notifier.alive()
        if notifier.failures == before:
            break
    assert receiver.recv(64) == b"WATCHDOG=1"


def test_a_socket_that_comes_back_is_found_again(tmp_path, notifier_of):
    path = tmp_path / "notify"
    notifier = notifier_of({"NOTIFY_SOCKET": str(path)})
    notifier.alive()
    assert notifier.failures == 1
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as receiver:
        receiver.bind(str(path))
        notifier.alive()
        assert receiver.recv(64) == b"WATCHDOG=1"
    assert notifier.failures == 1


@pytest.mark.parametrize(
    ("environment", "watchdog_s"),
    [
        ({"WATCHDOG_USEC": "5000000", "WATCHDOG_PID": str(os.getpid())}, 5.0),
        ({"WATCHDOG_USEC": "250000"}, 0.25),  # PID unset: meant for whoever reads it
        ({"WATCHDOG_USEC": "5000000", "WATCHDOG_PID": str(os.getppid())}, None),  # meant for another process
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "-1"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
        ({"WATCHDOG_USEC": "5000000", "WATCHDOG_PID": "me"}, None),
        ({}, None),
    ],
)
def test_the_watchdog_is_the_one_the_manager_asks_this_process_for(environment, watchdog_s, notifier_of):
    assert notifier_of(environment).watchdog_s == watchdog_s
