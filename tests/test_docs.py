"""What the documents say is true: every command stands in the README, and its commands run."""

from __future__ import annotations

import os
import re
import shlex
from pathlib import Path

import pytest
from typer.main import get_command

from ampelog import cli

TOP = Path(__file__).resolve().parent.parent
README = (TOP / "README.md").read_text(encoding="utf-8")
COMMANDS = sorted(get_command(cli.app).commands)  # type: ignore[attr-defined]
NO = {"claims BSY23", "claims CRS23"}
"""Commands whose answer is no, with exit code 1."""


def told(text: str) -> list[str]:
    """The commands of a document's shell blocks."""
    blocks = re.findall(r"```(?:sh)?\n(.*?)```", text, re.DOTALL)
    lines = [line.split("#")[0].strip() for block in blocks for line in block.splitlines()]
    return [line for line in lines if line.startswith("ampelog ")]


@pytest.mark.parametrize("command", COMMANDS)
def test_a_command_has_an_example_and_stands_in_the_readme(command: str) -> None:
    found = get_command(cli.app).commands[command]  # type: ignore[attr-defined]
    assert f"Example: ampelog {command}" in " ".join((found.help or "").split())
    assert f"`ampelog {command}`" in README


@pytest.mark.parametrize("document", ["README.md", "example_vintage/README.md"])
def test_the_commands_of_a_document_run(
    document: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "example_vintage").symlink_to(TOP / "example_vintage")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("AMPELOG_LEDGER", "cellar.duckdb")
    commands = told((TOP / document).read_text(encoding="utf-8"))
    assert len(commands) > 5
    for command in commands:
        words = [
            name
            for word in shlex.split(command)[1:]
            for name in (sorted(map(str, Path().glob(word))) if "*" in word else [word])
        ]
        if words[0] == "init" and Path("cellar.duckdb").exists():
            continue
        code = cli.main(words)
        expected = {1} if " ".join(words) in NO else {0}
        assert code in expected | ({1} if words[0] == "claims" else set()), command


def test_the_makefile_has_what_the_readme_names() -> None:
    makefile = (TOP / "Makefile").read_text(encoding="utf-8")
    for target in ("setup", "demo", "test", "check", "bench"):
        assert f"\n{target}:" in makefile
    assert os.access(TOP / ".ci" / "run", os.X_OK)
