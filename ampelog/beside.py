"""One piece of work: in a thread beside other work once it may begin, else when it is asked for."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from threading import Thread
from typing import Generic, TypeVar

T = TypeVar("T")


class Beside(Generic[T]):
    """A piece of work that is done once: in a thread of its own where ``begin`` was called, else by
    ``result``, in that of whoever asks."""

    def __init__(self, work: Callable[[], T]) -> None:
        self._work = work
        self._thread: Thread | None = None
        self._done: list[T] = []
        self.fault: BaseException | None = None
        """What it raised in its thread, so far."""

    def begin(self) -> None:
        """Do it beside whatever goes on; it raises nothing here. Where there is no room for a
        thread, ``result`` does it."""
        if self._thread is None:
            thread = Thread(target=self._run, daemon=True)
            with suppress(RuntimeError):
                thread.start()
                self._thread = thread

    def _run(self) -> None:
        try:
            self._done.append(self._work())
        except BaseException as fault:  # noqa: BLE001 - whoever asks for the result is told
            self.fault = fault

    def result(self) -> T:
        """What it gave, waited for; raises what it raised."""
        if self._thread is None:
            return self._work()
        self._thread.join()
        if self.fault is not None:
            raise self.fault
        return self._done[0]

    def end(self) -> None:
        """Wait until it does nothing any more, whatever became of it, and whoever is impatient."""
        while self._thread is not None and self._thread.is_alive():
            with suppress(KeyboardInterrupt):
                self._thread.join()
