"""A converter that is read by a thread of its own, so that a slow reading leaves no hole in the samples."""

from __future__ import annotations

import math
import threading
import time
from collections import deque
from collections.abc import Callable
from concurrent.futures import Future
from typing import TypeVar

from flattop.converters import Converter, Timebase
from flattop.errors import ConverterError, ConverterSilent
from flattop.samples import Input, Samples

SLICE_S = 0.02
"""The thread reads in slices of this length, which end where `collect` last asked for, or whole slices later [s]."""
PATIENCE_S = 0.3
"""How long after its time a slice may end before the converter counts as silent [s]."""
JOB_S = 1.0
"""Longest wait for the thread to do something between two slices [s]."""
RETRY_S = 0.25
"""Time between two attempts to bring back a converter that does not answer [s]."""

Result = TypeVar("Result")


class Reader:
    """A `Converter` around another, which only the thread of this one touches (but for its `latest`).

    converter : the one that is read; its `latest` may be called while another thread is in its `collect`
    time : the clock it stamps its samples with

    Whatever goes wrong in the thread comes out of `collect` as ConverterSilent. A thread that died of something
    unforeseen is started again by the next `collect`, and counted.
    """

    def __init__(self, converter: Converter, time: Timebase) -> None:
        self._converter, self._time = converter, time
        self._news = threading.Condition()
        self._closing = threading.Event()
        self._thread: threading.Thread | None = None
        self._jobs: deque[Callable[[], None]] = deque()
        self._wanted_s = self._collected_s = -math.inf
        self._failure: ConverterError | None = None
        self._died: BaseException | None = None
        self.restarts = 0
        """How often the thread had to be started again."""

    @property
    def name(self) -> str:
        """Name of the converter that is read."""
        return self._converter.name

    @property
    def input(self) -> Input:
        """The input that is being sampled."""
        return self._converter.input

    def select(self, input: Input) -> None:
        """Sample another input from now on."""
        self._between_slices(lambda: self._converter.select(input))

    def hold_range(self, held: bool) -> None:
        """Forbid or allow range changes."""
        self._between_slices(lambda: self._converter.hold_range(held))

    def confirm(self, hz: float) -> bool:
        """Find out whether the tone seen at `hz` is there, or the image of one above the band."""
        return self._between_slices(lambda: self._converter.confirm(hz))

    def latest(self, duration_s: float) -> Samples:
        """Return what was sampled in the last `duration_s` seconds."""
        return self._converter.latest(duration_s)

    def collect(self, until_s: float) -> bool:
        """Wait until the thread has read up to `until_s`.

        Raises ConverterSilent if it cannot, at the latest `PATIENCE_S` after that time.
        """
        self._keep_alive()
        deadline_s = time.monotonic() + max(until_s - self._time.now_s(), 0.0) + PATIENCE_S
        with self._news:
            self._wanted_s = until_s
            while self._collected_s < until_s:
                left_s = deadline_s - time.monotonic()
                if self._failure is not None:
                    raise ConverterSilent(str(self._failure)) from self._failure
                if self._died is not None or left_s <= 0.0:
                    why = f"died ({self._died!r})" if self._died is not None else f"is stuck for {PATIENCE_S:g} s"
                    raise ConverterSilent(
                        f"the thread that reads the {self.name} {why}; it is started again if it can be; "
                        "switch the meter off and on if this stays"
                    )
                self._news.wait(left_s)
        return True

    def close(self) -> None:
        """Stop the thread, and let go of the hardware; harmless twice."""
        self._closing.set()
        if self._thread is not None:
            self._thread.join(JOB_S)
        self._converter.close()

    def _keep_alive(self) -> None:
        """Start the thread, or start it again after it died; one that hangs in the kernel cannot be helped."""
        if self._closing.is_set() or (self._thread is not None and self._thread.is_alive()):
            return
        self.restarts += self._thread is not None
        self._died = None
        self._thread = threading.Thread(target=self._run, name=f"{self.name} reader", daemon=True)
        self._thread.start()

    def _between_slices(self, work: Callable[[], Result]) -> Result:
        """Have the thread do something between two slices, and return what came of it.

        Raises what it raises, and ConverterSilent if it is not done in time.
        """
        self._keep_alive()
        job: Future[Result] = Future()

        def do() -> None:
            if job.set_running_or_notify_cancel():
                try:
                    job.set_result(work())
                except Exception as error:  # whoever asked for it gets it
                    job.set_exception(error)

        self._jobs.append(do)
        try:
            return job.result(JOB_S)
        except TimeoutError:
            job.cancel()
            raise ConverterSilent(
                f"the thread that reads the {self.name} took no order for {JOB_S:g} s; "
                "switch the meter off and on if this stays"
            ) from None

    # -- in the thread --------------------------------------------------------------------------------------------

    def _run(self) -> None:
        try:
            while not self._closing.is_set():
                while self._jobs:
                    self._jobs.popleft()()
                self._read_slice()
        except BaseException as error:  # whatever it is, `collect` must hear of it
            with self._news:
                self._died = error
                self._news.notify_all()

    def _read_slice(self) -> None:
        failure: ConverterError | None = None
        try:
            self._converter.collect(self._slice_end())
        except ConverterError as error:
            failure = error
        with self._news:
            self._failure = failure
            if failure is None:
                self._collected_s = self._time.now_s()
            self._news.notify_all()
        if failure is not None:
            self._closing.wait(RETRY_S)

    def _slice_end(self) -> float:
        """Return when this slice ends: where the loop waits for it, or in step with that [s]."""
        now_s = self._time.now_s()
        if not math.isfinite(self._wanted_s):
            return now_s + SLICE_S
        return self._wanted_s + (math.floor((now_s - self._wanted_s) / SLICE_S) + 1.0) * SLICE_S
