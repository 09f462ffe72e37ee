"""A cellar in a test's docstring: events as a user writes them, recorded into a fresh ledger.

A docstring that holds lines of events is loaded before its test begins and must raise no finding;
what comes later is loaded by the test itself. A line that does not begin an event goes on with
the one before, so that a long event may be broken.
"""

from __future__ import annotations

import inspect
import json
import shutil
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from fractions import Fraction
from itertools import count
from pathlib import Path
from typing import Any, cast
from zoneinfo import ZoneInfo

import pytest
from hypothesis import HealthCheck, settings

from ampelog import history, ledger, lines, moments, recording
from ampelog.composition import Composition
from ampelog.errors import Finding, Refused
from ampelog.genealogy import ROLES, Kinds
from ampelog.ledger import Draft, Ledger
from ampelog.quantities import text
from ampelog.questions import View
from ampelog.recording import Recorded
from ampelog.replay import fresh
from ampelog.sources import Leaf
from ampelog.state import Lot

settings.register_profile(
    "cellar", deadline=None, max_examples=40, suppress_health_check=list(HealthCheck)
)
settings.load_profile("cellar")

ZONE = ZoneInfo("America/Los_Angeles")
NOW = moments.instant("2026-06-01T12:00", ZONE)
"""When everything here is recorded."""

HOME = {
    "kind": "premises",
    "at": "1900-01-01",
    "name": "Home",
    "timezone": ZONE.key,
    "id": "018f3b5c-0000-7000-9000-000000000001",
    "by": "Ines",
}

SETTING = """
{"kind": "place", "at": "2000-01-01", "name": "Land", "type": "country"}
{"kind": "place", "at": "2000-01-01", "name": "North", "type": "state", "within": ["Land"]}
{"kind": "place", "at": "2000-01-01", "name": "Ash", "type": "county", "within": ["North"]}
{"kind": "place", "at": "2000-01-01", "name": "Birch", "type": "county", "within": ["North"]}
{"kind": "place", "at": "2000-01-01", "name": "Two Fords", "type": "ava", "within": ["North"],
 "spans": ["Ash", "Birch"]}
{"kind": "block", "at": "2000-01-01", "name": "Hill", "within": ["Ash"],
 "plantings": [{"variety": "Syrah"}]}
{"kind": "block", "at": "2000-01-01", "name": "Mill", "within": ["Birch"],
 "plantings": [{"variety": "Grenache"}]}
{"kind": "block", "at": "2000-01-01", "name": "Ford", "within": ["Two Fords"],
 "plantings": [{"variety": "Syrah", "share": "1/3"}, {"variety": "Viognier", "share": "2/3"}]}
{"kind": "party", "at": "2000-01-01", "name": "Shop"}
{"kind": "party", "at": "2000-01-01", "name": "Guest"}
{"kind": "vessel", "at": "2000-01-01", "name": "B1", "type": "barrel", "capacity": "225 L"}
{"kind": "vessel", "at": "2000-01-01", "name": "B2", "type": "barrel", "capacity": "225 L"}
{"kind": "vessel", "at": "2000-01-01", "name": "B3", "type": "barrel", "capacity": "225 L"}
{"kind": "label", "at": "2000-01-01", "name": "Red"}
{"kind": "label", "at": "2000-01-01", "name": "Rested", "rest": "180 days"}
"""
"""Registered in every test's ledger: places, blocks, parties, three barrels, two labels."""


def as_lines(words: str) -> list[bytes]:
    """The events of a text, each on one line; what comes before the first is for people."""
    found: list[str] = []
    for line in words.splitlines():
        if line.strip().startswith('{"kind"'):
            found.append(line.strip())
        elif found and line.strip():
            found[-1] += " " + line.strip()
    return [line.encode() for line in found]


class Vintage:
    """A ledger of one test, open for writing."""

    def __init__(self, ledger: Ledger) -> None:
        self.ledger = ledger

    # Loading

    def record(self, loaded: Sequence[bytes], *, now: int = NOW, by: str = "Ines") -> Recorded:
        """Record lines as they stand; ``Refused`` where something is wrong with them."""
        entries, problems = lines.read(loaded, "lines", ZONE, now)
        return recording.record(self.ledger, entries, problems, by=by, now=now)

    def load(self, words: str, odd: Sequence[str] = (), *, now: int = NOW) -> Recorded:
        """Record the events of a text; their findings must be exactly those of ``odd``."""
        done = self.record(as_lines(words), now=now)
        found = sorted(finding.rule for finding in done.findings)
        assert found == sorted(odd), [finding.says for finding in done.findings]
        return done

    def refused(self, words: str, *, now: int = NOW) -> list[Finding]:
        """What refuses the events of a text. Nothing may have been recorded."""
        head = self.ledger.head
        with pytest.raises(Refused) as caught:
            self.record(as_lines(words), now=now)
        assert self.ledger.head == head
        assert caught.value.findings, "a refusal says what is wrong"
        return list(caught.value.findings)

    def refusal(self, words: str, *, now: int = NOW) -> Finding:
        """The one thing that refuses the events of a text."""
        found = self.refused(words, now=now)
        assert len(found) == 1, [f"{one.rule}: {one.says}" for one in found]
        return found[0]

    # Asking

    def view(self, as_of: str | None = None, known_on: str | None = None) -> View:
        """The cellar at a date, as known at a position."""
        return View(self.ledger, as_of, known_on)

    def lot(self, name: str, as_of: str | None = None) -> Lot:
        """A lot as it stands."""
        return self.view(as_of).lot(name)

    def holds(self, name: str, as_of: str | None = None) -> dict[str | None, str]:
        """What a lot holds, by vessel, as plain decimals of litres or kilograms."""
        holdings = self.lot(name, as_of).holdings
        return {vessel: text(held.amount) for vessel, held in holdings.items()}

    def state(self, name: str) -> str:
        """The one state of what a lot holds."""
        states = {held.state for held in self.lot(name).contents().values()}
        assert len(states) == 1, states
        return states.pop()

    def composition(
        self,
        name: str,
        vessel: str | None = None,
        as_of: str | None = None,
        kinds: Kinds = ROLES,
    ) -> Composition:
        """The composition of a lot, or of its part in one vessel."""
        view = self.view(as_of)
        lot = view.lot(name)
        return view.composition(lot, view.content(lot, vessel), kinds=kinds)

    def shares(
        self,
        name: str,
        vessel: str | None = None,
        by: Callable[[Leaf], object] | None = None,
        as_of: str | None = None,
        kinds: Kinds = ROLES,
    ) -> dict[object, Fraction]:
        """Exact shares by what ``by`` says of a source (the lot it came in as, or the material)."""
        return exact(self.composition(name, vessel, as_of, kinds), by or came_as)

    def fills(self, name: str) -> list[tuple[str, dict[Any, Any]]]:
        """The fills of a bottled lot: litres, and the shares of each."""
        view = self.view()
        lot = view.lot(name)
        content = view.content(lot)
        compositions = view.compositions(lot, [[part] for part in content])
        return [
            (text(amount), exact(one, came_as))
            for (_, amount), one in zip(content, compositions, strict=True)
        ]

    def odd(self) -> list[str]:
        """The rules of all findings in the ledger as it stands."""
        return sorted(finding.rule for finding in self._all().cellar.findings)

    def _all(self) -> View:
        return self.view(as_of="2200-01-01")


def came_as(leaf: Leaf) -> object:
    """What a source is called in these tests: its lot, or the material added."""
    return leaf.lot if leaf.material is None else leaf.material


def exact(composition: Composition, by: Callable[[Leaf], object]) -> dict[object, Fraction]:
    """Shares as fractions: guessed from the enclosure, and proved by the exact decision."""
    shares: dict[object, Fraction] = {}
    for leaf in composition.leaves:
        shares[by(leaf)] = shares.get(by(leaf), Fraction(0)) + composition.share(leaf)
    found = {}
    for key, low in shares.items():
        guess = low.limit_denominator(10**24)
        assert _is(composition, by, key, guess), f"{key!r} has no simple share near {low}"
        if guess:
            found[key] = guess
    return found


def _is(
    composition: Composition, by: Callable[[Leaf], object], key: object, share: Fraction
) -> bool:
    return composition.sign(lambda leaf: int(by(leaf) == key) - share) == 0


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A ledger that holds the setting and nothing else, to be copied."""
    path = tmp_path_factory.mktemp("setting") / "cellar.duckdb"
    first = Draft(dict(HOME), moments.instant(HOME["at"], ZONE))
    ledger.create(path, first, moments.to_stamp(NOW))
    with ledger.opened(path, write=True) as opened:
        Vintage(opened).load(SETTING)
    return path


OPEN = 6
"""How many ledgers a test may use at a time."""


@pytest.fixture
def another(made: Path, tmp_path: Path) -> Iterator[Callable[[], Vintage]]:
    """Makes ledgers of the setting, as many as a test asks for. The last ``OPEN`` of them are
    open: a law that is tried on hundreds would take gigabytes."""
    open_ones: deque[ExitStack] = deque()
    numbers = count(1)

    def fresh() -> Vintage:
        if len(open_ones) == OPEN:
            open_ones.popleft().close()
        open_ones.append(stack := ExitStack())
        return stack.enter_context(opened_copy(made, tmp_path / str(next(numbers))))

    yield fresh
    while open_ones:
        open_ones.pop().close()


@pytest.fixture
def vintage(another: Callable[[], Vintage], request: pytest.FixtureRequest) -> Vintage:
    """A fresh ledger with the setting and the events of the test's docstring."""
    made = another()
    words = inspect.getdoc(request.function) or ""
    if as_lines(words):
        made.load(words)
    return made


class Memory:
    """A ledger that holds its events in memory only, for asking without a file."""

    def __init__(self, events: Sequence[dict[str, Any]]) -> None:
        whole: list[dict[str, Any]] = [dict(HOME), *settled(), *events]
        self._records = []
        for position, event in enumerate(whole, start=1):
            instant = moments.instant(str(event["at"]), ZONE)
            body = json.dumps(event)
            self._records.append(
                ledger.Record(position, moments.to_stamp(NOW), "", "", instant, body)
            )
        self.head = ledger.Head(len(whole), "0" * 64)
        self.within = None
        self.home = whole[0]

    def records(self, first: int = 1, last: int | None = None) -> list[ledger.Record]:
        """The events from one position to another, as of a ledger."""
        return self._records[first - 1 : last]

    def rows(self, query: str, /, **parameters: object) -> list[tuple[object, ...]]:
        """Nothing is projected here; of the log what a replay reads."""
        upto = parameters.get("upto")
        if query != "event_bodies" or not isinstance(upto, int):
            return []
        return [(one.position, one.instant, one.body) for one in self._records[:upto]]


def settled() -> list[dict[str, object]]:
    """The setting's events, each with an id."""
    found = []
    for number, line in enumerate(as_lines(SETTING)):
        event = json.loads(line)
        found.append({**event, "id": f"018f3b5c-0000-7000-9000-{number + 2:012d}", "by": "Ines"})
    return found


def refused(events: Sequence[dict[str, object]]) -> list[Finding]:
    """What refuses these events on the setting."""
    _, refusals = fresh(history.steps_of(cast(Ledger, Memory(events))), ZONE)
    return refusals


def numbered(events: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """These events, each with an `id` and who recorded it."""
    return [
        {**event, "id": f"01890000-0000-7000-8000-{number:012d}", "by": "Ines"}
        for number, event in enumerate(events)
    ]


def replayed(events: Sequence[dict[str, object]]) -> View:
    """A view of these events on the setting, never stored; none of them may be refused."""
    return View(cast(Ledger, Memory(events)))


@contextmanager
def opened_copy(made: Path, folder: Path) -> Iterator[Vintage]:
    """A fresh copy of a ledger, opened for writing."""
    shutil.copytree(made.parent, folder)
    with ledger.opened(folder / made.name, write=True) as opened:
        yield Vintage(opened)
