"""The command line keeps its contract: keys, exit codes, streams."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ampelog import cli

Run = Callable[..., "Answer"]

WINE = """
{"kind":"place","at":"2020-01-01","name":"Washington","type":"state"}
{"kind":"place","at":"2020-01-01","name":"Cold Creek","type":"ava","within":["Washington"]}
{"kind":"block","at":"2020-01-01","name":"Hill","plantings":[{"variety":"Syrah"}],"within":["Cold Creek"]}
{"kind":"block","at":"2020-01-01","name":"Flat","plantings":[{"variety":"Merlot"}],"within":["Cold Creek"]}
{"kind":"party","at":"2020-01-01","name":"Shop"}
{"kind":"label","at":"2020-01-01","name":"Red","market":["us"],"statements":{"variety":["Syrah"],"vintage":2024,"appellation":"Cold Creek"}}
{"kind":"pick","at":"2024-09-01T08:00","block":"Hill","lot":"F1","mass":"1000 kg"}
{"kind":"pick","at":"2024-09-01T08:00","block":"Flat","lot":"F2","mass":"1000 kg"}
{"kind":"crush","at":"2024-09-01T10:00","from":{"lot":"F1","all":true},"to":{"lot":"A","vessel":"T1","volume":"200 gal"}}
{"kind":"crush","at":"2024-09-01T11:00","from":{"lot":"F2","all":true},"to":{"lot":"B","vessel":"T2","volume":"200 gal"}}
{"kind":"blend","at":"2024-12-01T10:00","from":[{"lot":"A","volume":"75 gal"},{"lot":"B","volume":"25 gal"}],"to":{"lot":"C","vessel":"T3","volume":"100 gal"}}
{"kind":"blend","at":"2024-12-01T11:00","from":[{"lot":"A","volume":"74.999 gal"},{"lot":"B","volume":"25.001 gal"}],"to":{"lot":"D","vessel":"T4","volume":"100 gal"}}
{"kind":"bottle","at":"2025-06-01T10:00","from":{"lot":"C","all":true},"to":{"lot":"C24","bottles":480,"format":"750 mL","label":"Red","code":"L-C24"},"loss":"line"}
"""


class Answer:
    """What a run gave."""

    def __init__(self, code: int, out: str, err: str) -> None:
        self.code, self.out, self.err = code, out, err

    @property
    def json(self) -> Any:
        """Standard output as one JSON document."""
        return json.loads(self.out)


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """Runs the program in an empty folder."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("AMPELOG_LEDGER", raising=False)

    def run(*words: str) -> Answer:
        capsys.readouterr()
        code = cli.main(list(words))
        captured = capsys.readouterr()
        return Answer(code, captured.out, captured.err)

    return run


@pytest.fixture
def cellar(run: Run, tmp_path: Path) -> Run:
    """A ledger with one wine."""
    assert run("init", "--premises", "Home", "--timezone", "America/Los_Angeles").code == 0
    (tmp_path / "wine.jsonl").write_text(WINE, encoding="utf-8")
    answer = run("load", "wine.jsonl", "--json")
    assert (answer.code, answer.json["findings"]) == (0, []), answer.err
    return run


KEYS = {
    ("lots", "--json"): {"lot", "state", "volume_l", "holdings"},
    ("trace", "C24", "--json"): {"lot", "sources", "through"},
    ("trace", "A", "--forward", "--json"): {"lot", "reaches"},
    ("composition", "C24", "--by", "variety,vintage", "--json"): {
        "lot",
        "volume_l",
        "fills",
        "shares",
    },
    ("balance", "C24", "--json"): {
        *("lot", "opening", "in", "out", "lost", "lost_by", "gained", "held", "difference"),
    },
    ("claims", "C24", "--json"): {"lot", "label", "verdict", "claims"},
    ("verify", "--json"): {"ok", "checked", "findings"},
    ("log", "--lot", "C24", "--json"): {
        "position",
        "recorded_at",
        "hash",
        "kind",
        "at",
        "id",
        "by",
    },
    ("dossier", "C24", "-o", "c.pdf", "--json"): {"file", "pages", "head"},
    ("export", "-o", "log.jsonl", "--json"): {"events", "head"},
}


@pytest.mark.parametrize("words", KEYS)
def test_the_answer_has_the_keys_of_the_contract(cellar: Run, words: tuple[str, ...]) -> None:
    answer = cellar(*words)
    assert answer.code == 0, answer.err
    document = answer.json
    first = document[0] if isinstance(document, list) else document
    assert first.keys() >= KEYS[words]


def test_loading_says_what_it_did(cellar: Run) -> None:
    again = cellar("load", "wine.jsonl", "--json")
    assert again.code == 2, "without ids the same events are likely repeats"
    assert again.err.count("likely repeat") == len(WINE.strip().splitlines())
    answer = cellar("record", "note", "lot=C24", "text=hello", "--json")
    assert answer.json.keys() == {"recorded", "known", "head", "findings", "changes", "id"}
    assert (answer.json["recorded"], answer.json["head"]["position"]) == (1, 15)


def test_the_same_ids_are_known(cellar: Run, tmp_path: Path) -> None:
    logged = cellar("log", "--json").json
    events = [
        {k: v for k, v in row.items() if k not in ("position", "recorded_at", "hash")}
        for row in logged
    ]
    (tmp_path / "again.jsonl").write_text("\n".join(map(json.dumps, events[1:])))
    answer = cellar("load", "again.jsonl", "--json")
    assert (answer.code, answer.json["recorded"], answer.json["known"]) == (0, 0, 13)


def test_exactly_three_quarters_is_supported_and_a_hair_less_is_not(cellar: Run) -> None:
    """27 CFR 4.23(b): not less than 75 percent; equality meets it."""
    supported = cellar("claims", "C", "--label", "Red", "--json")
    refused = cellar("claims", "D", "--label", "Red", "--json")
    assert (supported.code, supported.json["verdict"]) == (0, "supported")
    assert (refused.code, refused.json["verdict"]) == (1, "refused")
    (row,) = [r for r in refused.json["claims"] if r["verdict"] == "refused"]
    assert row["actual"] == "0.749990000000000000000000000000"
    assert row["margin"] == "-0.000010000000000000000000000000"


def test_shares_sum_to_one_and_are_decimal_strings(cellar: Run) -> None:
    answer = cellar("composition", "D", "--by", "variety", "--json").json
    assert [row["share"] for row in answer["shares"]] == [
        "0.749990000000000000000000000000",
        "0.250010000000000000000000000000",
    ]


def test_the_past_is_asked_by_day_and_by_position(cellar: Run) -> None:
    assert [row["lot"] for row in cellar("lots", "--as-of", "2024-09-30", "--json").json] == [
        "A",
        "B",
    ]
    assert cellar("lots", "--known-on", "1", "--json").json == []
    inside = cellar("lots", "--json", "--known-on", "9")
    assert inside.json == [], "a position inside a load means the load before"
    assert len(cellar("--json", "--known-on", "14", "lots").json) == 4


def test_options_stand_before_or_after_a_command(cellar: Run) -> None:
    after = cellar("lots", "--json", "--ledger", "cellar.duckdb")
    before = cellar("--ledger=cellar.duckdb", "--json", "lots")
    assert after.out == before.out
    assert after.code == 0


def test_codes_lead_to_their_lot(cellar: Run) -> None:
    assert cellar("trace", "--code", "L-C24", "--json").json["lot"] == "C24"
    assert cellar("trace", "--code", "L-NONE").code == 2


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (("lots", "--as-of", "soon"), 2, "no date"),
        (("composition", "C42"), 2, "there is no lot `C42`"),
        (("composition", "C24", "--by", "colour"), 2, "`colour` is no field"),
        (("composition", "C", "--vessel", "T9"), 2, "is not in `T9`"),
        (("trace",), 2, "name a lot"),
        (("claims", "A"), 2, "bears no label"),
        (("claims", "C24", "--label", "Blue"), 2, "no label `Blue`"),
        (("record", "pik", "lot=A"), 2, "did you mean `pick`"),
        (("record", "note", "lot"), 2, "no key=value"),
        (("lots", "--ledger", "none.duckdb"), 3, "there is no ledger"),
        (("load", "none.jsonl"), 2, "No such file"),
        (("init", "--premises", "x", "--timezone", "Mars/Base"), 2, "no time zone"),
        (("init", "--premises", "x", "--timezone", "UTC"), 2, "cellar.duckdb"),
        (("lots", "--json", "--csv"), 2, "both given"),
        (("dossier", "C24", "-o", "c.doc"), 2, "neither"),
        (("verify", "--csv"), 2, "for lists"),
    ],
)
def test_a_refusal_says_why(cellar: Run, words: tuple[str, ...], code: int, says: str) -> None:
    answer = cellar(*words)
    assert answer.code == code
    assert says in " ".join(answer.err.split()) or says in answer.err
    assert answer.out == ""


def test_a_dry_run_records_nothing(cellar: Run, tmp_path: Path) -> None:
    (tmp_path / "more.jsonl").write_text(
        '{"kind":"loss","at":"2025-01-01","lot":"A","volume":"1 gal","reason":"spill"}'
    )
    answer = cellar("load", "--dry-run", "more.jsonl", "--json")
    assert (answer.code, answer.json["recorded"], answer.json["head"]["position"]) == (0, 0, 14)
    assert cellar("log", "--kind", "loss", "--json").json == []


def test_several_files_are_one_load(cellar: Run, tmp_path: Path) -> None:
    (tmp_path / "good.jsonl").write_text('{"kind":"note","at":"2025-01-01","lot":"A","text":"x"}')
    (tmp_path / "bad.jsonl").write_text('{"kind":"note","at":"2025-01-01","lot":"Z","text":"x"}')
    answer = cellar("load", "good.jsonl", "bad.jsonl")
    assert answer.code == 2
    assert "bad.jsonl:1" in answer.err
    assert cellar("log", "--kind", "note", "--json").json == []


def test_a_list_as_csv_is_defused(cellar: Run) -> None:
    assert cellar("record", "note", "lot=A", "text==1+2").code == 0
    rows = cellar("log", "--kind", "note", "--csv").out.splitlines()
    assert len(rows) == 2
    assert '"\'=1+2"' in rows[1]


def test_one_event_is_typed_in_short(cellar: Run) -> None:
    answer = cellar(
        "record", "top", "at=2025-02-01T10:00", "from=A@T1 3 L", "to=B@T2 3 L", "ref=WO-1", "--json"
    )
    assert answer.code == 0, answer.err
    (row,) = cellar("log", "--kind", "top", "--json").json
    assert row["from"] == {"lot": "A", "vessel": "T1", "volume": "3 L"}
    assert row["to"] == {"lot": "B", "vessel": "T2", "volume": "3 L"}
    read = cellar("record", "reading", "lot=A", "at=2025-02-02", "brix=24")
    assert read.code == 0, read.err


def test_a_busy_ledger_names_who_has_it(cellar: Run, tmp_path: Path) -> None:
    code = (
        "import time\nfrom pathlib import Path\nfrom ampelog import ledger\n"
        f"with ledger.opened(Path({str(tmp_path / 'cellar.duckdb')!r}), write=True):\n"
        "    print('held', flush=True)\n    time.sleep(30)\n"
    )
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE) as holder:
        try:
            assert holder.stdout is not None
            assert holder.stdout.readline() == b"held\n"
            begun = time.monotonic()
            answer = cellar("lots", "--wait", "1")
            assert answer.code == 3
            assert str(holder.pid) in answer.err
            assert time.monotonic() - begun < 10
        finally:
            holder.kill()


def test_repair_and_restore_give_the_same_head(cellar: Run, tmp_path: Path) -> None:
    exported = cellar("export", "-o", "log.jsonl", "--json").json
    restored = cellar("restore", "log.jsonl", "--ledger", "new.duckdb", "--json").json
    assert restored == exported
    (tmp_path / "cellar.duckdb").unlink()
    assert cellar("lots").code == 3
    repaired = cellar("repair", "--json")
    assert (repaired.code, repaired.json["head"]) == (0, exported["head"])
    assert cellar("verify").code == 0
    assert cellar("lots", "--json").out == cellar("lots", "--json", "--ledger", "new.duckdb").out


def test_verify_names_a_changed_word(cellar: Run, tmp_path: Path) -> None:
    journal = tmp_path / "cellar.journal.jsonl"
    journal.write_bytes(journal.read_bytes().replace(b"200 gal", b"300 gal", 1))
    answer = cellar("verify", "--json")
    assert answer.code in (1, 3)
    assert "10" in answer.out + answer.err


@given(
    line=st.sampled_from(WINE.strip().splitlines()),
    at=st.integers(0, 200),
    put=st.sampled_from(['"', "{", "}", ",", ":", "0", "-", "\\", "[", "x", " ", "é", "\x00"]),
    cut=st.integers(0, 3),
)
def test_a_mangled_line_is_never_a_traceback(line: str, at: int, put: str, cut: int) -> None:
    from zoneinfo import ZoneInfo

    from ampelog import lines, moments

    zone = ZoneInfo("America/Los_Angeles")
    at %= len(line)
    mangled = line[:at] + put + line[at + cut :]
    entries, problems = lines.read(
        [mangled.encode()], "f", zone, moments.instant("2026-01-01", zone)
    )
    assert len(entries) + bool(problems) == 1
    assert all(problem.where == "f:1" and problem.says for problem in problems)
