"""Records a load, or says all that refuses it.

A load is put together here: the ledger appends what it is handed under its lock, and calls the
check below before it seals. What must be lawful is the ledger as it stands after the load.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from msgspec import Struct
from msgspec.structs import replace

from ampelog import history, lines, moments, projection, references
from ampelog.cellar import Cellar
from ampelog.errors import Finding, Refused, Unopenable
from ampelog.known import unknown
from ampelog.ledger import Coming, Draft, Head, Ledger
from ampelog.lines import Entry, entry
from ampelog.replay import fresh, registered, watched
from ampelog.retelling import Retold, odd, resolved_anew, retell
from ampelog.scribe import Form
from ampelog.steps import Correction, Step, in_order
from ampelog.stood import spans_of
from ampelog.told import Told

Tick = Callable[[str, int, int], None]
"""Told what is being done, how far it is, and of how many."""
Ask = Callable[[Retold], None]
"""Asks the log as it stood and as it stands with a load, while the ledger is as if it were
recorded."""


class Recorded(Struct, frozen=True):
    """What a load did: how many events, which were known, what is odd."""

    recorded: int
    known: int
    head: Head
    findings: tuple[Finding, ...]
    ids: tuple[str, ...]
    kept: object = None
    """What the load was checked with. Freeing millions of small things takes longer than ending
    the process: who holds this may leave without."""


class _Said(NamedTuple):
    """Who records a load, when, and what else was said of it."""

    by: str
    now: int
    dry_run: bool = False
    tick: Tick | None = None
    ask: Ask | None = None


class _DryRun(Exception):
    def __init__(self, findings: tuple[Finding, ...]) -> None:
        super().__init__()
        self.findings = findings


def record(  # noqa: PLR0913  each says one thing of the load
    ledger: Ledger,
    entries: Sequence[Entry],
    problems: Sequence[Finding],
    *,
    by: str,
    now: int,
    dry_run: bool = False,
    tick: Tick | None = None,
    ask: Ask | None = None,
) -> Recorded:
    """Record the entries of one load: all of them or none (``Refused``).

    ``problems`` are those of lines that are no events: the load is refused with them, and with
    whatever else is wrong. ``by`` is the login's name, ``now`` the instant of recording. Entries
    whose forms are not checked yet (``lines.read``) are checked while the load is; where that
    fails in any way, their forms are checked first and what is wrong is said as ever.

    ``ask`` is called before anything is recorded, of a trial run too; not where all is known.
    """
    said = _Said(by, now, dry_run, tick, ask)
    if any(isinstance(one.model, Told) for one in entries):
        if not problems and not dry_run and ask is None:
            try:
                return _record(ledger, entries, (), said, lines.whole)
            except Unopenable:
                raise
            except Exception:  # noqa: BLE001 - whatever it is, the forms are checked first
                pass
        entries, wrong = formed(ledger, entries, now)
        problems = [*problems, *wrong]
    return _record(ledger, entries, problems, said)


def formed(ledger: Ledger, entries: Sequence[Entry], now: int) -> tuple[list[Entry], list[Finding]]:
    """Entries whose forms are checked, and what is wrong with those of the others."""
    zone = history.zone_of(ledger)
    found = [lines.formed(one, zone, now) for one in entries]
    wrong = [problem for one in found if not isinstance(one, Entry) for problem in one]
    return [one for one in found if isinstance(one, Entry)], wrong


def _record(
    ledger: Ledger,
    entries: Sequence[Entry],
    problems: Sequence[Finding],
    said: _Said,
    form: Form | None = None,
) -> Recorded:
    if not projection.is_current(ledger):
        projection.rebuild(ledger)
    fresh_entries, known, repeats = unknown(ledger, entries, said.by)
    problems = [*problems, *repeats]
    ids = tuple(one.event["id"] for one in fresh_entries)
    load = _Load(ledger, fresh_entries, problems, said)
    drafts = [Draft(one.event, one.instant, one.line) for one in fresh_entries]
    if not drafts:
        if problems:
            raise Refused(_count(problems), problems)
        return Recorded(0, known, ledger.head, (), ids)
    try:
        with history.still():
            stamp = moments.to_stamp(said.now)
            findings = ledger.append(drafts, stamp, load.check, form, load.look)
    except _DryRun as done:
        return Recorded(len(drafts), known, ledger.head, done.findings, ids)
    return Recorded(len(drafts), known, ledger.head, findings, ids, (load, drafts))


@contextmanager
def supposed(
    ledger: Ledger,
    entries: Sequence[Entry],
    *,
    by: str,
    now: int,
    until: int | None = None,
    tick: Tick | None = None,
) -> Iterator[tuple[Finding, ...]]:
    """The ledger as if these entries had been recorded, for as long as the ``with`` lasts; what is
    odd about them is yielded. ``Refused`` as for ``record``, and nothing is ever recorded.

    ``until`` is the last instant that will be asked about: of what happened after it nothing stands
    in the way.
    """
    if not projection.is_current(ledger):
        projection.rebuild(ledger)
    fresh_entries, _, repeats = unknown(ledger, entries, by)
    load = _Load(ledger, fresh_entries, repeats, _Said(by, now, tick=tick), until)
    drafts = [Draft(one.event, one.instant) for one in fresh_entries]
    if not drafts:
        if repeats:
            raise Refused(_count(repeats), repeats)
        yield ()
        return
    with ledger.supposing(drafts, moments.to_stamp(now), load.check) as findings:
        yield findings


def _count(problems: Sequence[Finding]) -> str:
    things = "one thing" if len(problems) == 1 else f"{len(problems)} things"
    return f"nothing was recorded: {things} must be mended first"


# What is lawful


class _Load:
    """The check of one load, called by the ledger under its lock."""

    def __init__(
        self,
        ledger: Ledger,
        entries: Sequence[Entry],
        problems: Sequence[Finding],
        said: _Said,
        until: int | None = None,
    ) -> None:
        self.until = until
        self.ask = said.ask
        self.ledger = ledger
        self.entries = entries
        self.problems = list(problems)
        self.dry_run = said.dry_run
        self.tick = said.tick
        self.zone: ZoneInfo = history.zone_of(ledger)
        self.originals: dict[str, dict[str, Any]] = {}
        self.seen: object = None

    def check(self, coming: Coming) -> tuple[Finding, ...]:
        """Refuse the load, or write the projection it leads to; returns what is odd."""
        steps, corrections = self._steps(coming)
        self.problems += self._home_stays(steps)
        if self.until is not None:
            return self._in_the_past(steps, corrections, self.until)
        if self.ask is None and self._in_order(steps, corrections):
            return self._extend(in_order(steps, ()), coming)
        return self._anew(steps, corrections, coming.last)

    def look(self, findings: tuple[Finding, ...]) -> None:
        """Ask what was to be asked of the ledger with the load in it; a trial run ends here."""
        if self.ask is not None:
            assert isinstance(self.seen, Retold), "what is asked was told before and after"
            self.ask(self.seen)
        if self.dry_run:
            raise _DryRun(findings)

    def _home_stays(self, steps: Sequence[Step]) -> Iterator[Finding]:
        """Home registered again keeps its time zone: every time rests on it."""
        home = self.ledger.home
        for step in steps:
            event = step.event
            if event["kind"] == "premises" and event["name"] == home["name"]:
                zone = event.get("timezone", home["timezone"])
                if zone != home["timezone"]:
                    says = f"the time zone of the home premises is {home['timezone']}, and stays"
                    yield Finding("premises", step.where, says, "leave out `timezone`", step.id)

    def _steps(self, coming: Coming) -> tuple[list[Step], list[Correction]]:
        steps = [
            Step(
                one.instant,
                position,
                position,
                one.event["id"].lower(),
                one.event,
                one.model,
                True,
                one.where,
            )
            for position, one in enumerate(self.entries, start=coming.first)
        ]
        corrects = [step for step in steps if step.event["kind"] == "correct"]
        if corrects:
            self.originals = {step.id: step.event for step in steps}
            named = self.ledger.known([step.event["corrects"] for step in corrects])
            self.originals |= {key: record.event for key, record in named.items()}
        now = moments.from_stamp(coming.recorded_at)
        lawful = [step for step in corrects if self._lawful_correction(step, now)]
        return steps, [history.correction(step, self.zone) for step in lawful]

    def _lawful_correction(self, step: Step, now: int) -> bool:
        """A replacement is a whole event of the original's kind; its problems are noted."""
        event = step.event
        original = self.originals.get(event["corrects"].lower())
        if original is None:
            says = f"no event has the id {event['corrects']}"
            hint = "`ampelog log` lists the events with their ids"
        elif original["kind"] == "correct":
            says = "a `correct` event cannot itself be corrected"
            hint = "correct the original's id again: the later correction takes its place"
        elif original["kind"] == "premises" and self._moves_home(original, event["replacement"]):
            says = "the home premises stay, and so does their time zone: every time rests on it"
            hint = "register the premises again to add `within` or `permit`"
        elif event["replacement"] is None:
            return True
        elif event["replacement"].get("kind") != original["kind"]:
            says = (
                f"the replacement is a `{event['replacement'].get('kind')}`, "
                f"the original a `{original['kind']}`"
            )
            hint = "strike the original with null, and record the other kind anew in the same load"
        else:
            found = entry(event["replacement"], f"{step.where}, replacement", self.zone, now)
            if isinstance(found, Entry):
                return True
            self.problems += found
            return False
        self.problems.append(Finding("correction", step.where, says, hint, event["id"]))
        return False

    def _moves_home(self, original: dict[str, Any], replacement: dict[str, Any] | None) -> bool:
        home = self.ledger.home
        if original["id"] != home["id"]:
            return False
        return replacement is None or any(
            replacement.get(field) != home[field] for field in ("name", "timezone")
        )

    def _in_order(self, steps: Sequence[Step], corrections: Sequence[Correction]) -> bool:
        """Whether the load only adds to the end, so that nothing recorded is seen anew."""
        if corrections:
            return False
        owned = [s.event["name"] for s in steps if s.event["kind"] == "lot" and "owner" in s.event]
        if owned and self.ledger.rows("lot_states", lot="\n".join(owned)):
            return False  # whose a lot is holds from the beginning, and for what it filled
        last = projection.last_order(self.ledger)
        before = [step for step in steps if step.instant <= last[0]]
        if any(step.order <= last for step in before if projection.depends(step)):
            return False
        known = set(projection.state_of(self.ledger)["watched"])
        return watched(steps) <= known and not projection.said_later(self.ledger, steps, self.zone)

    def _extend(self, steps: Sequence[Step], coming: Coming) -> tuple[Finding, ...]:
        ledger = self.ledger
        first = ledger.head.position == 1
        touched = () if first else steps
        names = {name for step in touched for name in projection.named(step.event)}
        cellar = projection.standing(ledger, self.zone, names)
        if first:
            cellar.lots, cellar.vessels = Cellar(self.zone).lots, Cellar(self.zone).vessels
            cellar.registers = registered(history.steps_of(ledger))
        else:
            cellar.others = lambda: [row[0] for row in ledger.rows("lot_names")]
        registered(steps, cellar.registers)
        orders = (step.order for step in steps if projection.depends(step))
        spans = spans_of(ledger, min(orders, default=projection.LAST))
        coming.ahead()  # from here on nothing reads events past the head
        refusals = spans.tell(cellar, steps, self._ticks("replaying", len(steps)))
        self._refuse(steps, cellar, refusals)
        projection.extend(ledger, cellar, steps, coming.last, spans)
        self.seen = (steps, cellar)
        return tuple(cellar.findings)

    def _anew(
        self, steps: Sequence[Step], corrections: Sequence[Correction], position: int
    ) -> tuple[Finding, ...]:
        """A late entry or a correction: what follows it is seen anew, all of it."""
        old_steps, old_corrections = history.recorded(self.ledger)
        old = in_order(old_steps, old_corrections)
        everything = in_order([*old_steps, *steps], [*old_corrections, *corrections])
        tick = self._ticks("replaying", len(everything))
        told = retell(self.ledger, old, everything, self.zone, tick)
        before, after = told.before.cellar, told.after.cellar
        self._refuse(everything, after, told.refusals)
        projection.write(self.ledger, after, everything, position, (told.spans, told.kept))
        self.seen = told
        return (*odd(before, after), *resolved_anew(before, after, everything))

    def _in_the_past(
        self, steps: Sequence[Step], corrections: Sequence[Correction], until: int
    ) -> tuple[Finding, ...]:
        """What is supposed of a past day is seen with what had happened by then; whoever asks about
        that day replays it, and no projection is written."""
        old_steps, old_corrections = history.recorded(self.ledger)
        known = in_order([*old_steps, *steps], [*old_corrections, *corrections])
        told = [step for step in known if step.instant <= until]
        before, _ = fresh(
            [step for step in told if not step.new], self.zone, registers=registered(known)
        )
        after, refusals = fresh(told, self.zone, registers=registered(known))
        self._refuse(told, after, refusals)
        return odd(before, after)

    def _refuse(self, steps: Sequence[Step], cellar: Cellar, refusals: Sequence[Finding]) -> None:
        problems = [*self.problems, *references.check(steps, cellar.registers)]
        problems += self._places(steps, cellar)
        if problems and refusals:
            refusals = [
                replace(
                    one, hint=f"{one.hint}; it may follow from what is refused above".lstrip("; ")
                )
                for one in refusals
            ]
        problems += refusals
        if problems:
            raise Refused(_count(problems), problems)

    def _places(self, steps: Sequence[Step], cellar: Cellar) -> list[Finding]:
        kinds = ("place", "block", "premises")
        changed = any(step.new and step.event["kind"] in kinds for step in steps)
        received = list(references.receipt_parts(steps))
        if not changed and not received:
            return []
        everything = list(steps)
        if not any(not step.new for step in steps):
            upto = self.ledger.head.position if changed else 0
            said = [
                row
                for row in self.ledger.rows("event_bodies", upto=upto)
                if any(f'"kind":"{kind}"' in row[2] for kind in (*kinds, "correct"))
                or '"composition"' in row[2]
            ]
            old, corrections = history.read(said, self.zone)
            everything += in_order(old, corrections)
            received = list(references.receipt_parts(everything))
        registrations = [step for step in everything if step.event["kind"] in kinds]
        return references.check_places(registrations if changed else (), received, cellar.registers)

    def _ticks(self, what: str, total: int) -> Callable[[int], None] | None:
        tick = self.tick
        return None if tick is None else lambda done: tick(what, done, total)
