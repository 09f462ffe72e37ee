"""What every command needs: the program, the options before a command, the answer's form.

The one clock is here. Commands write ``asking.now()``, so that a test may set it.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import msgspec
import typer
from msgspec import Struct

from ampelog import completing, say
from ampelog.errors import Refused

if TYPE_CHECKING:
    from datetime import date

    from ampelog.ledger import Head
    from ampelog.questions import View

app = typer.Typer(
    add_completion=True,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
    help=(
        "A cellar's log, and what its labels may say. The options below may stand before or "
        "after a command."
    ),
)
Text = Annotated[str | None, typer.Option()]
Lot = Annotated[str, typer.Argument(autocompletion=completing.lots)]
ALot = Annotated[str | None, typer.Argument(autocompletion=completing.lots)]
OfLot = Annotated[str | None, typer.Option(autocompletion=completing.lots)]
OfVessel = Annotated[str | None, typer.Option(autocompletion=completing.vessels)]
LISTS = frozenset(
    {
        "log",
        "audit",
        "lots",
        "vessels",
        "trace",
        "composition",
        "balance",
        "claims",
        "claimable",
        "readiness",
        "calendar",
        "numbers",
        "recall",
    }
)
"""Commands that answer with a list, which may be told as CSV."""
SUPPOSED = frozenset(
    {
        "lots",
        "vessels",
        "trace",
        "composition",
        "balance",
        "claims",
        "claimable",
        "ingredients",
        "trial",
        "readiness",
        "calendar",
        "numbers",
    }
)
"""Commands that may be asked of a cellar with events that are not recorded."""


class No(Exception):
    """The answer is no (exit 1)."""


class Settings(Struct, frozen=True):
    """What the options before a command say."""

    ledger: Path
    as_of: str | None
    known_on: str | None
    units: str
    json: bool
    csv: bool
    wait: int
    supposed: tuple[str, ...] = ()


@app.callback()
def options(  # noqa: PLR0913  one parameter an option
    context: typer.Context,
    ledger: Annotated[
        Path, typer.Option(envvar="AMPELOG_LEDGER", readable=False, help="The ledger's file.")
    ] = Path("cellar.duckdb"),
    as_of: Annotated[str | None, typer.Option(help="The cellar at the end of that day.")] = None,
    known_on: Annotated[
        str | None, typer.Option(help="Only what was recorded by a position or a day.")
    ] = None,
    units: Annotated[str, typer.Option(help="us or metric, for reading.")] = "us",
    json_: Annotated[bool, typer.Option("--json", help="One JSON document.")] = False,
    csv: Annotated[bool, typer.Option("--csv", help="A list as CSV.")] = False,
    wait: Annotated[int, typer.Option(min=0, help="Seconds to wait for a busy ledger.")] = 10,
    with_: Annotated[
        list[str] | None,
        typer.Option("--with", help="Events of a file, as if they were recorded."),
    ] = None,
) -> None:
    """Keep what the options say for the command that follows."""
    if units not in ("us", "metric"):
        raise Refused(f"--units {units}: wanted `us` or `metric`")
    if json_ and csv:
        raise Refused("--json and --csv are both given; one is wanted")
    if csv and context.invoked_subcommand not in LISTS:
        raise Refused(
            f"--csv is for lists; `{context.invoked_subcommand}` answers with none",
            hint="use --json",
        )
    if with_ and context.invoked_subcommand not in SUPPOSED:
        raise Refused(
            f"--with: `{context.invoked_subcommand}` knows recorded events alone",
            hint=f"it is for {', '.join(sorted(SUPPOSED))}",
        )
    if with_ and known_on is not None:
        raise Refused(
            "--with and --known-on are both given; one is wanted",
            hint="what is supposed is seen with all that is known now; --as-of may stand beside it",
        )
    asked = (ledger, as_of, known_on, units, json_, csv, wait)
    context.obj = Settings(*asked, tuple(with_ or ()))


def _json(answer: Any) -> str:
    """An answer as JSON for people and programs; where the output is no UTF-8, in ASCII."""
    if not (sys.stdout.encoding or "").lower().startswith("utf"):
        return json.dumps(answer, indent=2)
    return msgspec.json.format(msgspec.json.encode(answer), indent=2).decode()


def answered(asked: Settings, answer: Any, listed: Sequence[dict[str, Any]] = ()) -> bool:
    """Print JSON or CSV where asked; False leaves the printing for people to the command."""
    if asked.json:
        sys.stdout.write(_json(answer) + "\n")
    elif asked.csv:
        sys.stdout.write(say.as_csv(listed))
    return asked.json or asked.csv


STOPPED = 130
"""Exit code of whoever stops the program, at a question as anywhere."""


@contextmanager
def stoppable() -> Iterator[None]:
    """A question that may be answered by stopping."""
    try:
        yield
    except typer.Abort:
        raise SystemExit(STOPPED) from None


def agreed(question: str = "Record it?") -> None:
    """Ask on the terminal whether to record; ``Refused`` where nobody is there, or says no."""
    if sys.stdin is None or not sys.stdin.isatty():
        raise Refused("nothing was recorded: nobody is there to be asked", hint="say --yes")
    with stoppable():
        said = typer.confirm(question, err=True)
    if not said:
        raise Refused("nothing was recorded: you said no")


def at_head(head: Head) -> dict[str, Any]:
    """A head for JSON."""
    return {"position": head.position, "root": head.root}


def now() -> int:
    """The instant of recording."""
    from datetime import UTC, datetime

    from ampelog import moments

    return moments.from_stamp(moments.stamp(datetime.now(UTC)))


def today(view: View) -> date:
    """The day of a question about now: that of ``--as-of``, else today at the premises."""
    from ampelog import moments

    return view.day if view.as_of is not None else moments.day(now(), view.zone)


def login() -> str:
    """The login's name."""
    from getpass import getuser

    try:
        return getuser()
    except (KeyError, OSError):
        return "unknown"
