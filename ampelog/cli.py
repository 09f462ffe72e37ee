"""The command line's edge: options anywhere, exit codes, the end of the process.

Exit codes: 0 done or yes; 1 the answer is no; 2 the command or the input was refused; 3 the
ledger cannot be opened or read; 130 stopped by whoever ran it; 141 nobody read the answer to its
end. The commands stand in the ``*_commands`` modules, in the order in which help shows them;
imports stand inside commands: start-up time is felt at each.
"""

from __future__ import annotations

import gc
import os
import sys
from collections.abc import Sequence
from copy import copy
from pathlib import Path
from typing import TYPE_CHECKING

from ampelog import say
from ampelog.asking import STOPPED, No, app
from ampelog.errors import AmpelogError, Refused, Unopenable

# The order of help.
# isort: off
from ampelog import log_commands  # noqa: F401
from ampelog import record_commands  # noqa: F401
from ampelog import correcting_commands  # noqa: F401
from ampelog import audit_commands  # noqa: F401
from ampelog import sheet_commands  # noqa: F401
from ampelog import counting_commands  # noqa: F401
from ampelog import cellar_commands  # noqa: F401
from ampelog import numbers_commands  # noqa: F401
from ampelog import vessel_commands  # noqa: F401
from ampelog import label_commands  # noqa: F401
from ampelog import readiness_commands  # noqa: F401
from ampelog import calendar_commands  # noqa: F401
from ampelog import recall_commands  # noqa: F401
from ampelog import paper_commands  # noqa: F401
# isort: on

if TYPE_CHECKING:
    from typer import Typer

__all__ = ["app", "hoist", "main", "run"]

NOBODY_READS = 141
"""Exit code where whoever was to read closed the pipe: neither yes nor no was told."""
_RARELY = (100_000, 20, 20)
"""How often reference cycles are looked for: a process that ends with its answer makes few."""

_ANYWHERE = {
    "--ledger": 1,
    "--as-of": 1,
    "--known-on": 1,
    "--units": 1,
    "--wait": 1,
    "--json": 0,
    "--csv": 0,
    "--with": 1,
}
"""Options that may stand anywhere, with how many words follow."""


def hoist(words: Sequence[str]) -> list[str]:
    """Move the options that may stand anywhere before the command."""
    front, rest = _parted(words)
    return front + rest


def _parted(words: Sequence[str]) -> tuple[list[str], list[str]]:
    """The options that may stand anywhere, and the rest: the command and what belongs to it."""
    front: list[str] = []
    rest: list[str] = []
    ahead = list(words)
    while ahead:
        word = ahead.pop(0)
        if word == "--":
            rest += [word, *ahead]
            break
        name, equals, _ = word.partition("=")
        if name in _ANYWHERE:
            front.append(word)
            follow = 0 if equals else _ANYWHERE[name]
            front, ahead = front + ahead[:follow], ahead[follow:]
        else:
            rest.append(word)
    return front, rest


def _asked(rest: Sequence[str]) -> Typer:
    """The program with the one command that is named, for speed: the others need not be prepared.
    Where none is named, or a shell completes, all of them."""
    found = [
        one
        for one in app.registered_commands
        if one.callback is not None and rest[:1] == [one.name or one.callback.__name__]
    ]
    if not found:
        return app
    alone = copy(app)
    alone.registered_commands = found
    return alone


def main(words: Sequence[str] | None = None) -> int:
    """Run the program; returns its exit code."""
    words = list(sys.argv[1:] if words is None else words)
    try:
        _check_text(words)
        front, rest = _parted([_composed(word) for word in words])
        _asked(rest)(args=front + rest, prog_name="ampelog")
    except No:
        return 1
    except SystemExit as ended:
        code = int(ended.code or 0)
        if code == STOPPED:
            say.note("stopped; nothing was half-recorded")
        return NOBODY_READS if code == 1 else code  # typer ends so on a closed pipe alone
    except AmpelogError as problem:
        return _refused(problem)
    except OSError as problem:  # what a ledger or a file raises is told where it is met
        say.note(f"error: {problem.filename or 'the output'}: {problem.strerror}", "red")
        return Unopenable.exit_code
    return 0


def _check_text(words: Sequence[str]) -> None:
    """Refuse words that are no text: bytes that a shell passed on and UTF-8 does not know."""
    for word in words:
        try:
            word.encode("utf-8")
        except UnicodeEncodeError:
            raise Refused(
                f"the argument `{word}` is not UTF-8", hint="type it again, or rename the file"
            ) from None


def _composed(word: str) -> str:
    """A word as texts are kept, composed (NFC); the name of a file stays as it was typed."""
    if word.isascii():
        return word
    from unicodedata import normalize

    said = Path(word.partition("=")[2] if word.startswith("--") else word)
    is_file = said.exists() or (said.parent != Path() and said.parent.is_dir())
    return word if is_file else normalize("NFC", word)


def _refused(problem: AmpelogError) -> int:
    """Say all that refuses, and what to do next."""
    found = getattr(problem, "findings", ())
    say.findings(found, "error")
    say.note(f"error: {problem.says}", "red")
    hint = problem.hint or ("mend what is named above, and run it again" if found else "")
    if hint:
        say.note(f"  hint: {hint}")
    return problem.exit_code


def run() -> None:
    """The program's entry: as ``main``, and the process ends at once."""
    gc.set_threshold(*_RARELY)
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is None:  # closed by whoever started the program
            nowhere = Path(os.devnull).open("w", encoding="utf-8")  # noqa: SIM115  to the end
            setattr(sys, name, nowhere)
        else:  # a sign that the terminal does not know is told by its number
            stream.reconfigure(errors="backslashreplace")
    code = main()
    try:
        sys.stdout.flush()
        sys.stderr.flush()
    except BrokenPipeError:
        code = code or NOBODY_READS
    except OSError as problem:
        say.note(f"error: the output: {problem.strerror}", "red")
        code = Unopenable.exit_code
    os._exit(code)
