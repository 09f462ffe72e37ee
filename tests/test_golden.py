"""What the program shows, whole: exit code and both streams of a command in one file.

The files stand in ``golden/cli/``; ``UPDATE_GOLDEN=1 pytest tests/test_golden.py`` writes them anew,
and what changed is read before it is kept. Nothing is blanked: every date is passed in or stands
in the example, and commands whose answer holds a hash of this run are not among these.
"""

from __future__ import annotations

import os
import shlex
from pathlib import Path

import pytest

from tests.program import TOP, Answer, Run

pytest_plugins = ("tests.running",)

GOLDEN = Path(__file__).resolve().parent / "golden" / "cli"
STATELINE = TOP / "example_vintage" / "stateline.toml"
UPDATE = os.environ.get("UPDATE_GOLDEN") == "1"
MISTAKES = """\
{"kind":"rack","at":"2026-11-20T09:30","from":{"lot":"24-PR","vessel":"T13","volume":"9999 gal"},"to":{"lot":"24-PR","vessel":"T2","volume":"9999 gal"}}
{"kind":"rack","at":"2026-11-20T10:30","from":{"lot":"24-PR","vessel":"T13","volume":"10"},"too":{"lot":"24-PR","vessel":"T2","volume":"10 gal"}}
{"kind":"racking","at":"2026-11-20"}
{"kind":"loss","at":"2026-11-31","lot":"24-PR","volume":"1 gal","reason":"spilt"}
{"kind":"reading","at":"2026-11-20","lot":"24-PR","brix":24.5}
{"kind":"pick","at":"2026-10-01","block":"Bench Sirah","lot":"26-SY","mass":"1 ton"}
{"kind":"ship","at":"2026-11-20","lot":"BSY24","bottles":12,"to":"Nobody","removal":"taxpaid"}
"""
SUPPOSED = """\
{"kind":"blend","at":"2025-08-05T10:00","from":[{"lot":"24-SY-C","vessel":"C2","volume":"90 gal"},{"lot":"24-SC","volume":"30 gal"}],"to":{"lot":"24-STL-3","volume":"120 gal"}}
"""
TOO_MUCH = """
[[candidate]]
from = ["24-SC@K3 90 gal", "24-SY-C@C2 10 gal"]
"""
NO_TRIAL = """
into = 3
volume = "9 gal"
[target]
use = ["24-SC"]
volume = 600
analysis = {ph = {most = "3.6"}}
[[candidate]]
from = "24-SC 9 gl"
"""
COLLIDES = """
label = "Stateline Syrah 2024"
cost = {"24-SY-C" = "15", "24-SC" = "9", "24-FB" = "14"}
[target]
aim = "cheapest"
volume = "660 gal"
use = ["24-SY-C@C2", "24-SC", "24-FB@T6"]
claims = ["variety", "vintage"]
most = {"24-SY-C" = "450 gal"}
spare = {"24-FB" = "100 gal"}
analysis = {va = {most = "0.60"}}
"""
FILES = {
    "mistakes.jsonl": MISTAKES,
    "old.duckdb": "something",
    "more.jsonl": SUPPOSED,
    "stateline.toml": STATELINE.read_text(encoding="utf-8"),
    "much.toml": TOO_MUCH,
    "mistakes.toml": NO_TRIAL,
    "collides.toml": COLLIDES,
}
"""Files that the commands name."""
COMMANDS = {
    "init": 'init --premises "Cold Creek" --timezone Europe/Paris --ledger new.duckdb',
    "init-there-already": 'init --premises "Cold Creek" --timezone Europe/Paris --ledger old.duckdb',
    "init-no-zone": 'init --premises "Cold Creek" --timezone Paris --ledger new.duckdb',
    "ledger-half": "lots --ledger mistakes.jsonl",
    "load-mistakes": "load mistakes.jsonl",
    "load-no-file": "load none.jsonl",
    "record-no-kind": "record racking lot=24-PR",
    "record-no-quantity": 'record rack from="24-PR@T13 10 gl" to="24-PR@T2 10 gal"',
    "lots": "lots",
    "lots-bottled": "lots --bottled",
    "lots-bottled-csv": "lots --bottled --csv",
    "lots-2023-metric": "lots --as-of 2023-12-31 --units metric",
    "lots-harvest": "lots --as-of 2022-09-20",
    "lots-json": "lots --as-of 2022-09-20 --json",
    "lots-no-date": "lots --as-of 2023-13-31",
    "log-corrected": "log --lot 23-VG-COF",
    "log-vessel": "log --vessel P-20 --since 2024-01-01 --until 2024-03-31",
    "trace": "trace STL24",
    "trace-json": "trace STL24 --json",
    "trace-role": "trace BGR23",
    "trace-forward": "trace 23-GR-B --forward",
    "trace-no-lot": "trace STL-24",
    "composition": "composition STL24 --by variety,vineyard",
    "composition-csv": "composition BSY23 --by vintage --csv",
    "composition-role": "composition BGR23 --by variety,role",
    "composition-fills": "composition SCG22 --by certification,variety",
    "composition-fills-json": "composition SCG22 --by certification --json",
    "composition-no-field": "composition STL24 --by colour",
    "composition-no-vessel": "composition 24-LONG --vessel T13",
    "balance-lot": "balance 23-SY",
    "balance-lot-json": "balance 23-SY --json",
    "balance-period": "balance 22-TOP --since 2024-01-01 --until 2024-12-31 --by owner",
    "claims-exact": "claims STL24",
    "claims-exact-json": "claims STL24 --json",
    "readiness": "readiness --as-of 2025-02-17",
    "readiness-ready": "readiness 24-VGB --as-of 2025-02-17",
    "readiness-stale": "readiness 24-SC --as-of 2025-02-17",
    "readiness-countdown": "readiness 24-LH --as-of 2026-11-10 --on 2026-11-19",
    "vessels": "vessels --as-of 2026-11-25",
    "vessels-harvest": "vessels --as-of 2023-10-02 --units metric",
    "calendar": "calendar --as-of 2026-11-25",
    "calendar-quarters": "calendar --as-of 2026-11-25 --quarters --vintage 2024",
    "numbers": "numbers --as-of 2026-11-25",
    "numbers-fermenting": "numbers --fermenting --as-of 2023-10-15",
    "numbers-metric-csv": "numbers 24-VGB --as-of 2025-02-17 --csv",
    "claims-by-a-hair": "claims BSY23",
    "claims-by-a-hair-csv": "claims BSY23 --csv",
    "claims-undetermined": "claims CRS23",
    "claims-other-market": "claims CFS23-DK --market us",
    "claims-two-laws": "claims STL24 --market eu",
    "claims-no-pack": "claims STL24 --market us --market dk",
    "claimable-label": "claimable BSY24 --label 'Bench Syrah 2024' --adding 24-LONG",
    "claimable-csv": "claimable STL24 --market us-wa --csv",
    "claimable-no-lot": "claimable STL24 --adding 24-NONE",
    "ingredients": "ingredients CFS23-DK --market eu",
    "ingredients-json": "ingredients BVG24 --json",
    "ingredients-no-law": "ingredients BVG24 --market us",
    "claims-no-label": "claims 24-PR",
    "trial": "trial stateline.toml --as-of 2025-08-05",
    "trial-collides": "trial collides.toml --as-of 2025-08-05",
    "trial-not-one": "trial mistakes.toml",
    "trial-too-much": "trial much.toml --as-of 2025-08-05",
    "with-a-file": "composition 24-STL-3 --with more.jsonl --as-of 2025-08-05",
    "with-a-log": "log --with more.jsonl",
    "verify-csv": "verify --csv",
}  # fmt: skip
"""By the name of its file: a command."""


def told(command: str, answer: Answer) -> str:
    """A run as its file has it."""
    parts = [f"$ ampelog {command}\nexit {answer.code}\n"]
    for name, stream in (("stdout", answer.out), ("stderr", answer.err)):
        parts.append(f"--- {name}\n{stream.replace(chr(13), '')}")
    return "".join(parts)


@pytest.mark.parametrize("name", COMMANDS)
def test_a_command_shows_what_it_showed(example: Run, tmp_path: Path, name: str) -> None:
    for file, text in FILES.items():
        (tmp_path / file).write_text(text, encoding="utf-8")
    found = told(COMMANDS[name], example(*shlex.split(COMMANDS[name])))
    path = GOLDEN / f"{name}.txt"
    if UPDATE:
        GOLDEN.mkdir(parents=True, exist_ok=True)
        path.write_text(found, encoding="utf-8")
    assert path.exists(), f"{path.name} is missing; see the head of this file"
    assert found == path.read_text(encoding="utf-8")


def test_every_file_has_its_command() -> None:
    orphans = {path.stem for path in GOLDEN.iterdir()} - COMMANDS.keys()
    if UPDATE:
        for name in orphans:
            (GOLDEN / f"{name}.txt").unlink()
    else:
        assert orphans == set()


def test_every_exit_code_is_shown() -> None:
    texts = [path.read_text(encoding="utf-8") for path in GOLDEN.iterdir()]
    assert {text.splitlines()[1] for text in texts} == {"exit 0", "exit 1", "exit 2", "exit 3"}
    for text in texts:
        code, err = text.splitlines()[1], text.partition("--- stderr\n")[2]
        if code in ("exit 0", "exit 1"):
            assert err == ""
        else:
            assert "\n--- stdout\n--- stderr\n" in text, "a refusal answers nothing"
            assert "error: " in err
