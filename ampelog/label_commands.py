"""The commands of the label: what may be printed, what a blend would do to it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated

import typer

from ampelog import asking, completing, say
from ampelog.asking import Lot, No, Settings, agreed, answered, app
from ampelog.errors import Refused
from ampelog.log_commands import recorded
from ampelog.opening import opened, reading, unrecorded, viewed

if TYPE_CHECKING:
    from ampelog.ledger import Head
    from ampelog.recipe import Recipe
    from ampelog.trial_answer import Answered


@app.command()
def claims(
    context: typer.Context,
    lot: Lot,
    label: Annotated[
        str | None,
        typer.Option(help="The label, if not the lot's own.", autocompletion=completing.labels),
    ] = None,
    market: Annotated[list[str] | None, typer.Option(help="A rule pack; may be repeated.")] = None,
) -> None:
    """May these statements be printed? Example: ampelog claims 22-RED --market us"""
    from ampelog import labelling, readout
    from ampelog.claims import NOTICE

    asked: Settings = context.obj
    _check_packs(market or [])
    with viewed(asked) as view:
        answer = labelling.claims(view, lot, label, market or [])
    if not answered(asked, answer, answer["claims"]):
        readout.claims(answer, NOTICE)
    if answer["verdict"] != "supported":
        raise No


def _check_packs(markets: Sequence[str]) -> None:
    """Refuse a pack that is named on the command line and not here: a slip, most likely. What a
    label asks for stays undetermined instead."""
    from ampelog import rules

    known = rules.known()
    for name in markets:
        if name not in known:
            raise Refused(
                f"--market {name}: there is no such rule pack", hint=f"packs: {', '.join(known)}"
            )


@app.command()
def claimable(
    context: typer.Context,
    lot: Lot,
    market: Annotated[list[str] | None, typer.Option(help="A rule pack; may be repeated.")] = None,
    label: Annotated[
        str | None,
        typer.Option(help="Only this label's statements.", autocompletion=completing.labels),
    ] = None,
    adding: Annotated[
        str | None,
        typer.Option(help="The lot that would be added.", autocompletion=completing.lots),
    ] = None,
) -> None:
    """What may be said, and what would end it. Example: ampelog claimable 24-SY --market us"""
    from ampelog import claimable as claimables
    from ampelog import readout
    from ampelog.claims import NOTICE

    asked: Settings = context.obj
    _check_packs(market or [])
    with viewed(asked) as view:
        answer = claimables.claimable(view, lot, label, market or [], adding)
    if not answered(asked, answer, answer["claims"]):
        readout.claimable(answer, asked.units, NOTICE)


@app.command()
def ingredients(
    context: typer.Context,
    lot: Lot,
    market: Annotated[str, typer.Option(help="The pack whose rules on ingredients hold.")] = "eu",
) -> None:
    """Ingredients and allergens. Example: ampelog ingredients 22-RED --market eu"""
    from ampelog import ingredients as lists
    from ampelog import readout
    from ampelog.claims import NOTICE

    asked: Settings = context.obj
    _check_packs([market])
    with viewed(asked) as view:
        answer = lists.ingredients(view, lot, market)
    if not answered(asked, answer, answer["ingredients"]):
        readout.ingredients(answer, NOTICE)


@app.command()
def trial(
    context: typer.Context,
    file: Annotated[str, typer.Argument(metavar="FILE", help="A trial, TOML or JSON.")],
    record: Annotated[bool, typer.Option("--record", help="Record the blend, once asked.")] = False,
    candidate: Annotated[str | None, typer.Option(help="The candidate to record.")] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Record it without being asked.")] = False,
) -> None:
    """A blend, tried and not recorded, or the best one. Example: ampelog trial stateline.toml"""
    from ampelog import recipe, trial_sheet
    from ampelog.verdicts import NOTICE

    asked: Settings = context.obj
    with reading(file) as stream:
        plan = recipe.read(stream.read(), file)
    if record:
        blended(asked, plan, candidate, sure=yes)
        return
    tried = tasted(asked, plan)[0]
    if not answered(asked, tried.told):
        trial_sheet.sheet(tried.told, asked.units, NOTICE)
    if not tried.yes:
        raise No


def tasted(asked: Settings, plan: Recipe) -> tuple[Answered, Head]:
    """A recipe, tried; with the head that it was tried at."""
    from ampelog.trial import Asking, Trial
    from ampelog.trial_answer import answer

    if asked.known_on is not None:
        raise Refused(
            "a trial is of all that is known now; --known-on does not go with it",
            hint="--as-of tries it in the cellar of a past day",
        )
    _check_packs(plan.markets)
    with opened(asked, write=True) as ledger:
        moment = asking.now()
        entries = tuple(unrecorded(asked, ledger, moment))
        tried = Trial(ledger, plan, Asking(asking.login(), moment, asked.as_of, entries))
        return answer(tried), ledger.head


def blended(asked: Settings, plan: Recipe, candidate: str | None, *, sure: bool) -> None:
    """Record the blend of a recipe: shown in words, and asked for. Recorded twice, it is known."""
    from ampelog import lines, trial_sheet
    from ampelog.history import zone_of
    from ampelog.trial import recorded_before
    from ampelog.verdicts import NOTICE
    from ampelog.words import words

    if asked.supposed or asked.as_of is not None:
        raise Refused(
            "--record records what is so now; it goes neither with --with nor with --as-of",
            hint="record the events that the trial rests on first",
        )
    with opened(asked) as ledger:
        event = recorded_before(ledger, plan, candidate)
    head = None
    if event is None:
        tried, head = tasted(asked, plan)
        event = tried.event(candidate)
        if not asked.json:
            trial_sheet.sheet(tried.told, asked.units, NOTICE)
        say.note(f"To be recorded: {words(event)}")
        if not sure:
            agreed()
    with opened(asked, write=True) as ledger:
        if head is not None and ledger.head != head:
            raise Refused("nothing was recorded: the cellar changed meanwhile", hint="run it again")
        moment = asking.now()
        found = lines.typed(event, "the blend", zone_of(ledger), moment)
        if not isinstance(found, lines.Entry):
            raise Refused("nothing was recorded", found)
        recorded(asked, ledger, ([found], []), moment)
