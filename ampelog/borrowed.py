"""A part of a ledger that somebody handed on: open for asking, in memory, beside no file.

It answers like a ledger, with the queries of one, and holds the events that it was given at the
positions that they have in the whole log.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from ampelog.database import Database, Fact, home_zone, instant_of
from ampelog.journal import Head, Line, Mark
from ampelog.ledger import Ledger


class Borrowed(Ledger):
    """The events of some lots out of a log; ``within`` are these lots.

    Close it after use. ``Refused`` where the events cannot be those of one log.
    """

    def __init__(
        self, ledger_id: str, head: Head, lines: Iterable[Line], within: Iterable[str]
    ) -> None:
        self.path = Path(":memory:")
        self.writable = True
        self.notices = []
        self.ledger_id = ledger_id
        self.within = frozenset(within)
        self._behind = False
        given = sorted(lines)
        self._mark = Mark(head, ("",), given[-1].recorded_at)
        self._database = Database(self.path, read_only=False)
        try:
            self._fill(given)
        except BaseException:
            self.close()
            raise

    def _fill(self, lines: list[Line]) -> None:
        zone = home_zone(lines[0].event)
        self._database.begun(self.ledger_id)
        with self._database.together():
            self._database.add([Fact(line, instant_of(line.event, zone)) for line in lines])
            self._database.seal([self._mark])
