"""Every bottled lot's dossier at once, with a page that names them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pikepdf
import pytest

from ampelog import dossiers
from tests.program import copied, made, outside, program

WINE = """
{"kind": "receive", "at": "2024-10-01", "lot": "W", "volume": "100 L", "vessel": "T1", "state": "wine", "composition": [{"share": "1", "variety": "Syrah", "vintage": 2024}]}
{"kind": "bottle", "at": "2025-01-10", "from": {"lot": "W", "volume": "9 L"}, "to": {"lot": "B", "bottles": 12, "format": "750 mL"}}
{"kind": "bottle", "at": "2025-01-11", "from": {"lot": "W", "volume": "9 L"}, "to": {"lot": "../<i>C</i>", "bottles": 12, "format": "750 mL"}}
"""


@pytest.fixture(scope="module")
def bottles(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("bottles")
    events = folder / "wine.jsonl"
    events.write_text(WINE.lstrip(), encoding="utf-8")
    return made(folder, events, premises="Home")


def asked(ledger: Path, *words: str) -> Any:
    return program("--ledger", str(ledger), "dossier", *words)


def test_every_bottled_lot_has_a_file_in_the_folder_and_a_line_in_the_index(
    bottles: Path, tmp_path: Path
) -> None:
    ledger = copied(bottles, tmp_path)
    folder = tmp_path / "papers"
    told = asked(ledger, "--all", str(folder), "--no-evidence", "--json")
    assert told.code == 0, told.err
    answer = json.loads(told.out)
    files = [Path(one["file"]) for one in answer["files"]]
    assert [one["lot"] for one in answer["files"]] == ["../<i>C</i>", "B"]
    assert all(path.parent == folder for path in files), "no name leaves the folder"
    assert sorted(folder.iterdir()) == sorted([*files, folder / "index.html"])
    for path, one in zip(files, answer["files"], strict=True):
        with pikepdf.open(path) as document:
            assert len(document.pages) == one["pages"]
    index = (folder / "index.html").read_text(encoding="utf-8")
    assert "<i>C</i>" not in index
    assert all(f'href="{path.name}"' in index for path in files)
    assert set(answer) >= {"file", "pages", "head"}


def test_one_after_another_gives_the_same_bytes_as_side_by_side(
    bottles: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ledger = copied(bottles, tmp_path)
    contents = []
    for cores in (1, 2):
        monkeypatch.setattr("os.cpu_count", lambda cores=cores: cores)
        folder = tmp_path / f"papers-{cores}"
        assert asked(ledger, "--all", str(folder), "--no-evidence").code == 0
        contents.append([path.read_bytes() for path in sorted(folder.iterdir())])
    assert contents[0] == contents[1]


@pytest.mark.parametrize("words", [("W", "-o", "w.pdf"), ("--all", "papers")])
def test_nothing_stays_behind_but_the_papers(
    bottles: Path, tmp_path: Path, words: tuple[str, ...]
) -> None:
    ledger, scratch = copied(bottles, tmp_path), tmp_path / "scratch"
    scratch.mkdir()
    last = str(tmp_path / words[-1])
    done = outside("--ledger", str(ledger), "dossier", *words[:-1], last, TMPDIR=str(scratch))
    assert done.code == 0, done.err
    assert Path(last).exists()
    assert not list(scratch.iterdir())


@pytest.mark.parametrize(
    ("lot", "name"),
    [("BSY23", "BSY23.pdf"), ("24.SY_a-1", "24.SY_a-1.pdf")],
)
def test_a_plain_name_is_the_files_name(lot: str, name: str) -> None:
    assert dossiers.file_name(lot) == name


@pytest.mark.parametrize("lot", ["../x", "/etc/x", ".hidden", "a b", "Rosé", "x" * 200, "CON\\x"])
def test_any_other_name_stays_in_its_folder_and_apart(lot: str) -> None:
    name = dossiers.file_name(lot)
    assert Path(name).name == name
    assert not name.startswith(".")
    assert len(name) < 90
    assert dossiers.file_name(lot + "!") != name


@pytest.mark.parametrize(
    "words",
    [[], ["B"], ["--all", "x", "-o", "y.pdf"], ["B", "--all", "x"], ["--all", "x", "--label", "L"]],
)
def test_either_a_lot_and_a_file_or_a_folder(bottles: Path, words: list[str]) -> None:
    told = asked(bottles, *words)
    assert told.code == 2
    assert "name a lot and -o FILE, or --all FOLDER" in told.err
