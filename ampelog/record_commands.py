"""The command that records one event: typed in one line, or led by questions on a terminal."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ampelog import asking, completing, say
from ampelog.asking import Settings, agreed, app, stoppable
from ampelog.errors import Refused
from ampelog.log_commands import Aside, recorded
from ampelog.opening import opened, progress

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from ampelog.guiding import Names, Question
    from ampelog.ledger import Ledger
    from ampelog.lines import Entry


@app.command()
def record(
    context: typer.Context,
    kind: Annotated[
        str | None,
        typer.Argument(help="The kind of event.", autocompletion=completing.kinds),
    ] = None,
    pairs: Annotated[
        list[str] | None,
        typer.Argument(help="key=value, one a field.", autocompletion=completing.pairs),
    ] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Record without asking.")] = False,
) -> None:
    """Record one event; on a terminal what is missing is asked for.

    Example: ampelog record top at=2024-11-05 from="TOP@T9 3 gal" to="24-SY@B-1..B-3 each 1 gal"
    """
    asked: Settings = context.obj
    guided = attended() and not asked.json
    if kind is None and not guided:
        raise Refused("what happened? name the kind of event", hint=completing.listed_kinds())
    with stoppable(), opened(asked, write=True) as ledger:
        moment = asking.now()
        entry = _guided(ledger, kind, pairs or [], moment) if guided else None
        entry = entry or _typed(ledger, str(kind), pairs or [], moment)
        odd = _shown(asked, ledger, entry, moment, guided=guided)
        if guided and not yes:
            agreed()
        recorded(asked, ledger, ([entry], []), moment, aside=Aside(odd))


def attended() -> bool:
    """Whether somebody sits at a terminal and can be asked."""
    return sys.stdin is not None and sys.stdin.isatty() and sys.stderr.isatty()


def _typed(ledger: Ledger, kind: str, pairs: list[str], moment: int) -> Entry:
    """The event of one line; ``Refused`` with all that is wrong with it."""
    from ampelog import shorthand

    return _checked(ledger, shorthand.event(kind, pairs), moment)


def _checked(ledger: Ledger, event: dict[str, Any], moment: int) -> Entry:
    from ampelog import lines
    from ampelog.history import zone_of
    from ampelog.moments import day_and_minute

    zone: ZoneInfo = zone_of(ledger)
    event.setdefault("at", day_and_minute(moment, zone))
    found = lines.typed(event, "the event", zone, moment)
    if not isinstance(found, lines.Entry):
        raise Refused("nothing was recorded", found)
    return found


def _shown(asked: Settings, ledger: Ledger, entry: Entry, moment: int, *, guided: bool) -> Any:
    """What looks wrong about it. Where somebody is there: with the event in words and its effect,
    after which nothing of that is told again."""
    from ampelog import slips

    odd = slips.looks_wrong(ledger, entry, moment)
    if not guided:
        if not asked.json:
            from ampelog.words import words

            say.note(words(entry.event))
        return odd
    from ampelog.effect_sheet import told
    from ampelog.effects import effect

    with progress() as tick:
        does = effect(ledger, entry, by=asking.login(), now=moment, tick=tick)
    told(entry.event, does, odd, asked.units)
    return ()


# ---- led by questions


def _guided(ledger: Ledger, kind: str | None, pairs: list[str], moment: int) -> Entry:
    """The event, with what is missing asked for; what is wrong is told and asked again."""
    from ampelog import effects, guiding, shorthand

    kind = _kind() if kind is None else kind
    event = shorthand.event(kind, pairs)
    names = effects.offers(ledger)
    whole = guiding.whole(kind, event)
    passed: list[str] = [name for name, needed in guiding.fields(kind) if whole and not needed]
    dated = "at" in event or (whole and bool(pairs))
    while True:
        _asked_for(kind, event, names, passed)
        if not dated:
            _when(ledger, event, moment)
        try:
            return _checked(ledger, dict(event), moment)
        except Refused as refused:
            _anew(refused, event, passed)


def _anew(refused: Refused, event: dict[str, Any], passed: list[str]) -> None:
    """What is wrong, and which answer is to be given anew; the others are kept."""
    say.findings(refused.findings, "error")
    said = ", ".join(name for name in event if name != "kind")
    name = typer.prompt(f"Which of these anew ({said}; Enter: give up)", default="",
                        show_default=False, err=True).strip()  # fmt: skip
    if not name:
        raise refused
    event.pop(name, None)
    passed[:] = [one for one in passed if one != name]


def _asked_for(kind: str, event: dict[str, Any], names: Names, passed: list[str]) -> None:
    """Ask for what is missing, field by field."""
    from ampelog import guiding

    while True:
        question = guiding.question(kind, event, names, passed)
        if question is None:
            break
        value = _answer(kind, question, names)
        if value is None:
            passed.append(question.field)
        else:
            event[question.field] = value


def _kind() -> str:
    from ampelog import guiding

    for number, (kind, words) in enumerate(guiding.COMMON.items(), 1):
        say.note(f"{number:>3}  {kind.replace('_', ' '):<12} {words}")
    while True:
        said = typer.prompt("What happened (a number or a word)", err=True)
        try:
            return guiding.kind_of(said)
        except guiding.Unclear as problem:
            say.note(str(problem), "yellow")


def _answer(kind: str, question: Question, names: Names) -> Any:
    """A value for a field, None where it may stay empty and does."""
    from ampelog import guiding

    for number, name in enumerate(question.offered, 1):
        say.note(f"{number if question.numbered else '':>5}  {name}")
    if question.more:
        say.note(f"       and {question.more} more, by name")
    asks = question.asks if question.needed else f"{question.asks} (Enter: none)"
    while True:
        said = typer.prompt(asks, default="" if not question.needed else None,
                            show_default=False, err=True)  # fmt: skip
        if not said.strip():
            return None
        try:
            return guiding.answered(kind, question, said, names)
        except guiding.Unclear as problem:
            say.note(str(problem), "yellow")


def _when(ledger: Ledger, event: dict[str, Any], moment: int) -> None:
    """Ask for the day and hour; now is offered."""
    from ampelog import cells, days, guiding
    from ampelog.history import zone_of
    from ampelog.moments import day_and_minute

    now = day_and_minute(moment, zone_of(ledger))
    while "at" not in event:
        said = typer.prompt(guiding.WORDS["at"], default=now, err=True).strip()
        try:
            event["at"] = said if said == now else cells.moment(said, cells.Habits(), True)
        except cells.Slip as slip:
            # a table's day is mended by an option; here the answer itself can say which it is
            hint = days.AS_IN if slip.rule == "ambiguous date" else slip.hint
            say.note(f"{slip.says} {hint}", "yellow")
