"""What the documents say is true: every command stands in the README, and what they show runs."""

from __future__ import annotations

import os
import re
import shlex
from pathlib import Path
from typing import Any

import pytest
from typer.main import get_command

from ampelog import cli
from ampelog.journal import FORMAT
from tests.program import Run

pytest_plugins = ("tests.running",)

TOP = Path(__file__).resolve().parent.parent
README, STORY = "README.md", "example_vintage/README.md"
COMMANDS: dict[str, Any] = get_command(cli.app).commands  # type: ignore[attr-defined]
NO = {
    "claims BSY23",
    "claims CRS23",
    "claims STL24 --market eu",
    'claims STL24 --label "Stateline Syrah 2024, Denmark"',
    "readiness 24-RS --as-of 2025-02-17",
    "readiness 24-SC --as-of 2025-02-17",
    "readiness 24-LH --as-of 2025-02-17",
}
"""Commands of the documents whose answer is no, with exit code 1; all others end with 0."""


def read(document: str) -> str:
    return (TOP / document).read_text(encoding="utf-8")


def shown(text: str) -> list[tuple[str, str | None]]:
    """The commands of a document's blocks, each with what is shown of its answer, if it is: a
    ``text`` block that follows on a block of commands is the answer to its last."""
    found: list[tuple[str, str | None]] = []
    blocks = re.finditer(r"^```(\w*)\n(.*?)^```\n(\s*)", text, re.DOTALL | re.MULTILINE)
    for language, body, _ in (block.groups() for block in blocks):
        if language == "text" and found:
            found[-1] = (found[-1][0], body)
        elif language in ("", "sh"):
            lines = (line.partition(" #")[0].strip() for line in body.splitlines())
            found += [(line, None) for line in lines if line.startswith("ampelog ")]
    return found


def written_out(command: str) -> list[str]:
    """The words of a command, file patterns written out as a shell does."""
    return [
        name
        for word in shlex.split(command)[1:]
        for name in (sorted(map(str, Path().glob(word))) if "*" in word else [word])
    ]


@pytest.mark.parametrize("document", [README, STORY])
def test_the_commands_of_a_document_run_and_answer_as_shown(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, document: str
) -> None:
    (tmp_path / "example_vintage").symlink_to(TOP / "example_vintage")
    monkeypatch.setenv("AMPELOG_LEDGER", "cellar.duckdb")
    commands = shown(read(document))
    assert len(commands) > 5
    for command, answer in commands:
        done = run(*written_out(command))
        expected = 1 if command.removeprefix("ampelog ") in NO else 0
        assert done.code == expected, f"{command}: {done.err}"
        assert answer in (None, done.out), command
    assert run("verify").code == 0


def test_what_is_shown_and_not_true_is_caught(run: Run) -> None:
    text = "```sh\nampelog lots   # held\nmake demo\n```\n\n```text\nnothing\n```\n```\nampelog log\n```\n"
    commands = shown(text)
    assert commands == [("ampelog lots", "nothing\n"), ("ampelog log", None)]
    assert run(*written_out(commands[0][0])).out != commands[0][1]


@pytest.mark.parametrize("command", COMMANDS)
def test_a_command_has_help_and_stands_in_the_readme(command: str) -> None:
    assert f"`ampelog {command}`" in read(README)
    says, _, example = " ".join(COMMANDS[command].help.split()).partition(" Example: ")
    assert len(says.split()) > 2
    assert "Example:" not in example, "one is enough"


@pytest.mark.parametrize("command", COMMANDS)
def test_the_example_in_a_commands_help_can_be_typed(command: str) -> None:
    """Its words are those of the command: options that exist, neither too many nor too few."""
    _, _, example = " ".join(COMMANDS[command].help.split()).partition(" Example: ")
    program, name, *words = shlex.split(example)
    assert (program, name) == ("ampelog", command)
    assert COMMANDS[command].make_context(command, words).info_name == command


def test_an_example_that_cannot_be_typed_is_caught() -> None:
    for words in (["--no-such-option"], ["C24", "too", "many"], []):
        with pytest.raises(Exception, match=r"option|argument|Missing"):
            COMMANDS["composition"].make_context("composition", words)


def test_options_for_all_commands_are_in_the_readme() -> None:
    for option in ("--ledger", "--as-of", "--known-on", "--json", "--csv", "--units"):
        assert f"`{option}" in read(README)
        assert option in cli._ANYWHERE


def test_the_demonstration_names_commands_that_there_are() -> None:
    script = read("example_vintage/demo.sh")
    used = set(re.findall(r"\$ampelog (\w+)", script))
    assert {"init", "load", "claims", "dossier", "verify"} <= used <= COMMANDS.keys()
    assert os.access(TOP / "example_vintage" / "demo.sh", os.R_OK)


def test_the_makefile_has_what_the_readme_names() -> None:
    makefile = read("Makefile")
    for target in ("setup", "demo", "test", "check", "bench"):
        assert f"\n{target}:" in makefile
    named = re.findall(r"^make (\w+)|`make (\w+)`", read(README), re.MULTILINE)
    assert named
    assert all(f"\n{target or quoted}:" in makefile for target, quoted in named)
    assert os.access(TOP / ".ci" / "run", os.X_OK)


def test_the_changelog_has_the_format_of_ledgers_that_is_written() -> None:
    assert f"### Ledger format {FORMAT}\n" in read("CHANGELOG.md")


def test_every_module_of_the_table_is_there() -> None:
    """DEVELOPERS.md, "Where things live": what is named there in code is a module or a folder."""
    table = read("DEVELOPERS.md").partition("## Where things live")[2].partition("\n## ")[0]
    named = {name.partition(".")[0] for name in re.findall(r"`([a-z_]+(?:\.\w+)?)`", table)}
    modules = {path.stem for path in (TOP / "ampelog").glob("*.py")}
    assert named <= modules
    assert len(named) > 30
