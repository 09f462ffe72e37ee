"""How far a long work is, told on a terminal and nowhere else."""

from __future__ import annotations

import io
import sys

import pytest

from ampelog import opening


class Terminal(io.StringIO):
    """What is written to a terminal."""

    def isatty(self) -> bool:
        return True


def worked(monkeypatch: pytest.MonkeyPatch, stream: io.StringIO, after: int) -> str:
    """What a work of 4,096 of 9,000 events writes, where it is told after so many nanoseconds."""
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setattr(opening, "A_WHILE", after)
    monkeypatch.setattr(sys, "stderr", stream)
    with opening.progress() as tick:
        tick("replaying", 4096, 9000)
    return stream.getvalue()


def test_a_long_work_tells_on_a_terminal_how_far_it_is(monkeypatch: pytest.MonkeyPatch) -> None:
    assert "replaying: 4,096 of 9,000 events" in worked(monkeypatch, Terminal(), 0)


def test_a_short_work_tells_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    assert worked(monkeypatch, Terminal(), 60 * 10**9) == ""


def test_where_nobody_watches_nothing_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    assert worked(monkeypatch, io.StringIO(), 0) == ""
