"""The command of a recall: what is touched, who got it, and what it came from."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ampelog import asking, completing
from ampelog.asking import Settings, Text, answered, app
from ampelog.errors import Refused
from ampelog.opening import opened

if TYPE_CHECKING:
    from ampelog.ledger import Ledger
    from ampelog.questions import View
    from ampelog.recall_origins import Origin

Blocks = Annotated[list[str] | None, typer.Option(autocompletion=completing.blocks)]
Parties = Annotated[list[str] | None, typer.Option(autocompletion=completing.parties)]
Lots = Annotated[list[str] | None, typer.Option(autocompletion=completing.lots)]
Vessels = Annotated[list[str] | None, typer.Option(autocompletion=completing.vessels)]


@app.command()
def recall(  # noqa: PLR0913  one parameter an option
    context: typer.Context,
    block: Blocks = None,
    grower: Parties = None,
    pick: Annotated[
        list[str] | None, typer.Option(help="An event's id or position, or LOT@DATE.")
    ] = None,
    lot: Lots = None,
    material_lot: Annotated[
        list[str] | None, typer.Option(help="Of an addition, a yeast, glass, closures, labels.")
    ] = None,
    vessel: Vessels = None,
    since: Annotated[str | None, typer.Option(help="From this day; alone: what came in.")] = None,
    until: Text = None,
    back: Annotated[
        str | None,
        typer.Option(help="A lot: one step back, one step on.", autocompletion=completing.lots),
    ] = None,
    code: Annotated[str | None, typer.Option(help="As --back, of the lot that bears it.")] = None,
    out: Annotated[Path | None, typer.Option("-o", help="A .pdf, .html or .csv file.")] = None,
    paper: Annotated[str, typer.Option(help="letter or a4.")] = "letter",
    drill: Annotated[bool, typer.Option("--drill", help="Time it, and note it down.")] = False,
) -> None:
    """Every bottle that something touched, and who got it.

    Example: ampelog recall --material-lot GL-4471 -o recall.pdf
    """
    kinds = ("block", "grower", "pick", "lot", "material_lot", "vessel")
    given = zip(kinds, (block, grower, pick, lot, material_lot, vessel), strict=True)
    named = {kind: tuple(names) for kind, names in given if names}
    if back is None and code is None:
        _ahead(context.obj, _origin(named, since, until), (out, paper), drill)
    elif named or since or until or out or drill or (back and code):
        says = "--back and --code ask of one lot, and nothing else beside them"
        raise Refused(says, hint="ampelog recall --back BSY24")
    else:
        _back(context.obj, back, code)


def _origin(named: dict[str, tuple[str, ...]], since: str | None, until: str | None) -> Origin:
    from ampelog.recall_origins import Origin

    if len(named) > 1:
        options = " and ".join(f"--{kind.replace('_', '-')}" for kind in named)
        raise Refused(
            f"{options} are given; one kind of origin is wanted",
            hint="ask once for each; one option may be given several times",
        )
    if not named and since is None and until is None:
        raise Refused("nothing is named to recall", hint="ampelog recall --block NAME")
    kind = next(iter(named), "dates")
    return Origin(kind, named.get(kind, ()), since, until)


def _ahead(asked: Settings, origin: Origin, sheet: tuple[Path | None, str], drill: bool) -> None:
    """The recall itself, its sheet, and the note of a drill."""
    from ampelog import printing, recall_sheet
    from ampelog.questions import View
    from ampelog.recalling import recall as recalled

    begun = asking.now()
    out, paper = sheet
    printing.check_paper(paper)
    if out is not None:
        recall_sheet.check_name(out)
    with opened(asked, write=drill) as ledger:
        answer = recalled(View(ledger, asked.as_of, asked.known_on), origin)
        answer["head"] = asking.at_head(ledger.head)
        answer["premises"] = str(ledger.home["name"])
        if out is not None:
            answer["file"], answer["pages"] = str(out), _write(answer, out, paper, asked)
        if drill:
            answer["drill"] = _noted(ledger, answer, begun)
    if not answered(asked, answer, recall_sheet.listed(answer)):
        recall_sheet.show(answer, asked.units)


def _write(answer: dict[str, Any], out: Path, paper: str, asked: Settings) -> int:
    from ampelog import outlet, printing, recall_page, recall_sheet, say

    if out.suffix.lower() == ".csv":
        outlet.keep(say.as_csv(recall_sheet.listed(answer)).encode(), out)
        return 1
    return printing.write(recall_page.page(answer, asked.units), out, paper)


def _noted(ledger: Ledger, answer: dict[str, Any], begun: int) -> dict[str, Any]:
    """Record how long the drill took, on what was recalled."""
    from ampelog import lines, recall_drill
    from ampelog.history import zone_of
    from ampelog.recording import record

    moment, zone = asking.now(), zone_of(ledger)
    seconds, event = recall_drill.note(answer, moment - begun, moment, zone)
    found = lines.typed(event, "the drill's note", zone, moment)
    if not isinstance(found, lines.Entry):
        raise Refused("the drill was not noted down", found)
    done = record(ledger, [found], [], by=asking.login(), now=moment)
    return {"seconds": seconds, "event": done.ids[0]}


def _back(asked: Settings, name: str | None, code: str | None) -> None:
    """One step back and one step on."""
    from ampelog import recall_back, recall_sheet
    from ampelog.questions import View
    from ampelog.tracing import coded

    with opened(asked) as ledger:
        view: View = View(ledger, asked.as_of, asked.known_on)
        answer = recall_back.back(view, name or coded(view, code or ""))
    if not answered(asked, answer, [*answer["received"], *answer["released"]]):
        recall_sheet.show_back(answer)
