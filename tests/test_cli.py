"""The command line keeps its contract: JSON keys, exit codes, streams, options anywhere."""

from __future__ import annotations

import csv
import io
import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb
import pytest
from typer.main import get_command

from ampelog import cli
from tests.program import HEAD, TOP, WINE, WINES, ZONE, Run, outside

pytest_plugins = ("tests.running",)

HEADS = {"position", "root"}
LOADED = {"recorded", "known", "head", "findings", "changes"}
FINDING = {"rule", "where", "says", "hint", "event", "lot"}
BOOK = {"lot", "opening", "in", "out", "lost", "lost_by", "gained", "held", "difference"}
CLAIM = {
    *("claim", "statement", "rule", "citation", "required", "actual", "margin", "verdict"),
    *("fill", "why"),
}
SOURCE = {"event", "kind", "lot", "block", "variety", "vintage", "picked_on", "role", "share"}


def spot(document: Any, path: str) -> Any:
    """What stands at a path such as ``claims.0.why`` of a JSON document."""
    for step in path.split(".") if path else []:
        document = document[int(step)] if step.isdigit() else document[step]
    return document


# --- JSON: one document on standard output, with the keys of the contract ---------------------

KEYS: list[tuple[str, str, set[str], set[str]]] = [
    ("lots", "0", {"lot", "state", "volume_l", "holdings"}, set()),
    ("lots", "0.holdings.0", {"vessel", "volume_l"}, set()),
    (
        *("lots --bottled", "0", {"lot", "state", "volume_l", "bottles", "holdings"}),
        {"cases", "format_l"},
    ),
    (
        *("lots --as-of 2024-09-01 --known-on 99", "0", {"lot", "state", "volume_l", "holdings"}),
        set(),
    ),
    ("trace C24", "", {"lot", "sources", "through"}, set()),
    ("trace C24", "sources.0", SOURCE, set()),
    ("trace C24", "through.0", {"lot", "share", "ferment"}, set()),
    ("trace --code L-C24", "", {"lot", "sources", "through"}, set()),
    ("trace A --forward", "", {"lot", "reaches"}, set()),
    ("trace A --forward", "reaches.0", {"lot", "share", "volume_l"}, set()),
    ("composition C24 --by variety,vintage", "", {"lot", "volume_l", "fills", "shares"}, set()),
    ("composition C24 --by variety,vintage", "shares.0", {"variety", "vintage", "share"}, set()),
    ("composition C24 --by variety", "fills.0", {"event", "bottles", "shares"}, set()),
    ("composition C24 --by variety", "fills.0.shares.0", {"variety", "share"}, set()),
    ("balance", "0", BOOK, {"unit"}),
    ("balance C24 --by premises,owner", "0", BOOK, {"unit", "premises", "owner"}),
    ("claims C24", "", {"lot", "label", "verdict", "claims"}, {"layers"}),
    ("claims C24", "claims.0", CLAIM, {"events"}),
    ("verify", "", {"ok", "checked", "findings"}, set()),
    ("dossier C24 -o c.html", "", {"file", "pages", "head"}, set()),
    ("dossier C24 -o c.html", "head", HEADS, set()),
    ("export -o log.jsonl", "", {"events", "head"}, set()),
    ("export -o log.jsonl", "head", HEADS, set()),
    ("load more.jsonl", "", LOADED, set()),
    ("load more.jsonl", "head", HEADS, set()),
    ("load more.jsonl", "findings.0", FINDING, set()),
    ("load --dry-run more.jsonl", "", LOADED, {"would_record"}),
    ("record note lot=C24 text=hello", "", LOADED | {"id"}, set()),
    ("repair", "", {"head", "kept"}, set()),
]
"""A command, a place in its answer, the contract's keys there, and those that came on top."""
GAIN = '{"kind":"gauge","at":"2025-06-02","lot":"A","vessel":"T1","volume":"60 gal","reason":"dip"}'


@pytest.mark.parametrize(("words", "path", "keys", "more"), KEYS)
def test_an_answer_has_the_keys_of_the_contract(
    cellar: Run, tmp_path: Path, words: str, path: str, keys: set[str], more: set[str]
) -> None:
    (tmp_path / "more.jsonl").write_text(GAIN)
    answer = cellar(*words.split(), "--json")
    assert answer.code == 0, answer.err
    assert set(spot(answer.json, path)) == keys | more
    assert answer.out.startswith(("{\n", "[\n"))
    assert answer.out.endswith(("}\n", "]\n"))


def test_a_new_ledger_answers_with_its_name(run: Run) -> None:
    answer = run("init", "--premises", "Home", "--timezone", ZONE, "--json")
    assert (answer.code, answer.json, answer.err) == (0, {"ledger": "cellar.duckdb"}, "")


def test_a_restored_ledger_answers_as_the_export_did(cellar: Run) -> None:
    exported = cellar("export", "-o", "log.jsonl", "--json").json
    restored = cellar("restore", "log.jsonl", "--ledger", "new.duckdb", "--json")
    assert (restored.code, restored.json) == (0, exported)
    assert exported["events"] == exported["head"]["position"] == HEAD


def test_an_event_in_the_log_is_as_received_with_its_place(cellar: Run) -> None:
    rows = cellar("log", "--json").json
    assert [row["position"] for row in rows] == list(range(1, HEAD + 1))
    for row, line in zip(rows[1:], WINE.strip().splitlines(), strict=True):
        given = json.loads(line)
        added = {"position", "recorded_at", "hash", "id", "by"}
        assert row.keys() == given.keys() | added
        assert {key: row[key] for key in given} == given


def test_numbers_are_plain_decimal_strings(cellar: Run) -> None:
    """No exponent, no binary float: every figure that is not a count, a year or a day is text."""

    def floats(document: Any) -> list[Any]:
        if isinstance(document, dict | list):
            inner = document.values() if isinstance(document, dict) else document
            return [found for one in inner for found in floats(one)]
        return [document] if isinstance(document, float) else []

    for words in ("lots", "balance", "trace C24", "claims C24", "composition C24 --by variety"):
        answer = cellar(*words.split(), "--json")
        assert floats(answer.json) == []
    (row,) = [row for row in cellar("lots", "--json").json if row["lot"] == "B"]
    assert row["volume_l"] == "567.807982188216", "200 gal less 25 and 25.001 gal, exactly"


def test_a_share_has_thirty_decimals_and_a_partition_sums_to_one(cellar: Run) -> None:
    shares = [
        row["share"]
        for row in cellar("composition", "D", "--by", "variety", "--json").json["shares"]
    ]
    assert shares == ["0.749990000000000000000000000000", "0.250010000000000000000000000000"]
    ways = ["variety", "vintage", "block", "variety,vintage,block", "grower", "estate", "picked_on"]
    for way in ways:
        rows = cellar("composition", "C24", "--by", way, "--json").json["shares"]
        assert all(len(row["share"].partition(".")[2]) == 30 for row in rows)
        assert sum(int(row["share"].replace(".", "")) for row in rows) == 10**30


def test_units_change_what_people_read_and_never_the_json(cellar: Run) -> None:
    for words in ("lots", "composition C24"):
        asked = words.split()
        us, metric = cellar(*asked, "--units", "us"), cellar(*asked, "--units", "metric")
        assert "gal" in us.out
        assert " L" in metric.out
        assert "gal" not in metric.out
        plain = cellar(*asked, "--json").out
        assert cellar(*asked, "--json", "--units", "metric").out == plain
        assert cellar(*asked, "--json", "--units", "us").out == plain


# --- exit codes -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        ("lots --as-of soon", 2, "`soon` is no date"),
        ("lots --as-of 2024-02-30", 2, "--as-of: `2024-02-30` is no date"),
        ("lots --as-of 20240301", 2, "wanted one like `2024-10-03`"),
        ("lots --as-of 1800-01-01", 2, "1900"),
        ("lots --known-on 0", 2, "the first event is position 1"),
        ("lots --known-on 2001-01-01", 2, "nothing was recorded by then"),
        ("lots --known-on yesterday", 2, "--known-on: `yesterday`"),
        ("lots --units imperial", 2, "wanted `us` or `metric`"),
        ("lots --wait soon", 2, "--wait"),
        ("lots --wait -1", 2, "--wait"),
        ("lots --json --csv", 2, "both given"),
        ("lots --colour", 2, "No such option"),
        ("lots extra", 2, "extra"),
        ("lots --ledger none.duckdb", 3, "there is no ledger"),
        ("lots --ledger wine.jsonl", 3, "is missing beside"),
        ("composition C42", 2, "there is no lot `C42`"),
        ("composition C-24", 2, "did you mean `C24`?"),
        ("composition C24 --by colour", 2, "`colour` is no field"),
        ("composition C --vessel T9", 2, "is not in `T9`"),
        ("trace", 2, "name a lot"),
        ("trace A --code L-C24", 2, "name a lot, or --code"),
        ("trace Z", 2, "there is no lot `Z`"),
        ("trace Z --forward", 2, "there is no lot `Z`"),
        ("trace --code L-NONE", 2, "L-NONE"),
        ("claims Z", 2, "there is no lot `Z`"),
        ("claims A", 2, "bears no label"),
        ("claims C24 --label Blue", 2, "no label `Blue`"),
        ("claims C24 --market us --market xx", 2, "xx: there is no such rule pack hint: packs: "),
        ("balance Z", 2, "there is no lot `Z`"),
        ("balance --by tank", 2, "`tank` is no dimension"),
        ("balance --since soon", 2, "`soon` is no date"),
        ("balance --by owner --until soon", 2, "`soon` is no date"),
        ("balance --since 2025-01-01 --until 2024-01-01", 2, "is after --until"),
        ("balance --since 2025-01-01 --as-of 2024-01-01", 2, "is after --as-of"),
        ("log --kind racking", 2, "there is no kind `racking`"),
        ("log --since soon", 2, "--since: `soon`"),
        ("log --until soon", 2, "--until: `soon`"),
        ("record pik lot=A", 2, "did you mean `pick`"),
        ("record note lot", 2, "no key=value"),
        ("record", 2, "name the kind of event"),
        ("load", 2, "Missing argument"),
        ("load none.jsonl", 2, "none.jsonl: No such file"),
        ("load wine.jsonl .", 2, "Is a directory"),
        ("init --premises x --timezone Mars/Base", 2, "no time zone"),
        ("init --premises x --timezone ../../etc", 2, "no time zone"),
        ("init --premises x --timezone UTC", 2, "cellar.duckdb is there already"),
        ("init --premises x --timezone UTC --ledger no/where.duckdb", 2, "there is no folder"),
        ("init --timezone UTC", 2, "--premises"),
        ("dossier C24 -o c.doc", 2, "neither"),
        ("dossier C24 -o no/where.pdf", 2, "cannot be written"),
        ("dossier C24 -o c.pdf --paper foolscap", 2, "wanted letter or a4"),
        ("dossier C24", 2, "name a lot and -o FILE"),
        ("dossier Z -o c.pdf", 2, "there is no lot `Z`"),
        ("export -o no/where.jsonl", 2, "cannot be written"),
        ("export -o .", 2, "is a folder"),
        ("export -o cellar.journal.jsonl", 2, "belongs to a ledger"),
        ("restore none.jsonl --ledger n.duckdb", 2, "none.jsonl"),
        ("restore wine.jsonl --ledger n.duckdb", 2, "line 1"),
        ("restore wine.jsonl", 2, "wine.jsonl"),
        ("repair --ledger none.duckdb", 3, "there is no ledger"),
        ("drink C24", 2, "No such command"),
        ("--json", 2, "Missing command"),
        *((f"{name} --csv", 2, "for lists") for name in ("verify", "repair", "load wine.jsonl")),
    ],
)
def test_a_refusal_says_why_and_answers_nothing(
    cellar: Run, tmp_path: Path, words: str, code: int, says: str
) -> None:
    before = sorted(path.name for path in tmp_path.iterdir())
    journal = (tmp_path / "cellar.journal.jsonl").read_bytes()
    answer = cellar(*words.split())
    assert (answer.code, answer.out) == (code, "")
    assert says in answer.said
    assert (tmp_path / "cellar.journal.jsonl").read_bytes() == journal
    left = {path.name for path in tmp_path.iterdir()} - {"cellar.lock", "none.lock", "n.lock"}
    assert left - {"wine.lock"} == set(before), "a refused command leaves no file behind"


@pytest.mark.parametrize("word", ["\udcff", "A\udc80"])
def test_words_that_are_no_text_are_refused(cellar: Run, word: str) -> None:
    """A shell passes on any bytes; what is not UTF-8 comes as a half of a surrogate pair."""
    for words in (("trace", word), ("log", "--lot", word), ("record", "note", f"text={word}")):
        answer = cellar(*words)
        assert (answer.code, answer.out) == (2, "")
        assert "is not UTF-8" in answer.err


def test_no_words_show_the_help(run: Run) -> None:
    answer = run()
    assert answer.code == 2
    assert "init" in answer.out + answer.err
    helped = run("--help")
    assert (helped.code, helped.err) == (0, "")
    assert set(get_command(cli.app).commands) <= set(helped.out.split())  # type: ignore[attr-defined]


def test_findings_of_a_load_are_never_a_no(cellar: Run, tmp_path: Path) -> None:
    (tmp_path / "gain.jsonl").write_text(GAIN)
    answer = cellar("load", "gain.jsonl")
    assert answer.code == 0
    assert "finding: gain.jsonl:1" in answer.err
    assert "finding" not in answer.out
    assert cellar("record", "gauge", "lot=B", "volume=190 gal", "reason=dip").code == 0


def test_exactly_three_quarters_is_supported_and_a_hair_less_is_not(cellar: Run) -> None:
    """27 CFR 4.23(b): not less than 75 percent; equality meets it."""
    supported = cellar("claims", "C", "--label", "Red", "--json")
    refused = cellar("claims", "D", "--label", "Red", "--json")
    assert (supported.code, supported.json["verdict"]) == (0, "supported")
    assert (refused.code, refused.json["verdict"]) == (1, "refused")
    (row,) = [row for row in refused.json["claims"] if row["verdict"] == "refused"]
    assert row["actual"] == "0.749990000000000000000000000000"
    assert row["margin"] == "-0.000010000000000000000000000000"
    assert "not supported by the records" in cellar("claims", "D", "--label", "Red").out


def test_what_nobody_knows_is_undetermined_and_no_yes(cellar: Run) -> None:
    bought = cellar("record", "receive", "at=2025-01-02", "lot=X", "vessel=T9", "volume=100 gal")
    assert bought.code == 0, bought.err
    answer = cellar("claims", "X", "--label", "Red", "--json")
    assert (answer.code, answer.json["verdict"]) == (1, "undetermined")


def test_damage_is_a_no_and_an_unreadable_ledger_is_not(cellar: Run, tmp_path: Path) -> None:
    journal = tmp_path / "cellar.journal.jsonl"
    whole = journal.read_bytes()
    journal.write_bytes(whole.replace(b"200 gal", b"300 gal", 1))
    answer = cellar("verify", "--json")
    assert (answer.code, answer.json["ok"]) == (1, False)
    assert "position 10" in answer.json["findings"][0]["says"]
    assert "Damage was found" in cellar("verify").out
    journal.write_bytes(whole[:-10])
    answer = cellar("verify", "--json")
    assert (answer.code, answer.out) == (3, "")
    assert "ampelog repair" in answer.err


def test_repair_and_restore_give_the_same_head(cellar: Run, tmp_path: Path) -> None:
    exported = cellar("export", "-o", "log.jsonl", "--json").json
    assert cellar("restore", "log.jsonl", "--ledger", "new.duckdb").code == 0
    (tmp_path / "cellar.duckdb").unlink()
    assert cellar("lots").code == 3
    repaired = cellar("repair", "--json")
    assert (repaired.code, repaired.json["head"]) == (0, exported["head"])
    for name in ("cellar", "new"):
        verified = cellar("verify", "--json", "--ledger", f"{name}.duckdb").json
        assert verified["ok"]
        assert verified["checked"]["projection"], "it is projected already"
    assert cellar("lots", "--json").out == cellar("lots", "--json", "--ledger", "new.duckdb").out


def test_a_database_that_is_right_is_projected_by_a_repair(cellar: Run, tmp_path: Path) -> None:
    kept = tmp_path / "cellar.journal.jsonl"
    whole = kept.read_bytes()
    kept.unlink()
    with duckdb.connect(str(tmp_path / "cellar.duckdb")) as database:
        database.execute("delete from projected")
    assert cellar("repair").code == 0
    assert kept.read_bytes() == whole
    assert cellar("verify", "--json").json["checked"]["projection"]


@pytest.mark.parametrize(
    "damage", ["no first line", "a changed event", "a changed seal", "no seal"]
)
def test_a_damaged_export_is_not_restored_and_its_line_named(
    cellar: Run, tmp_path: Path, damage: str
) -> None:
    cellar("export", "-o", "log.jsonl")
    lines = (tmp_path / "log.jsonl").read_bytes().splitlines(keepends=True)
    if damage == "no first line":
        del lines[0]
    elif damage == "a changed event":
        lines[9] = lines[9].replace(b"1000 kg", b"1001 kg")
    elif damage == "a changed seal":
        lines[-1] = lines[-1].replace(b'"root":"', b'"root":"f')
    else:
        del lines[-1]
    (tmp_path / "log.jsonl").write_bytes(b"".join(lines))
    answer = cellar("restore", "log.jsonl", "--ledger", "new.duckdb")
    assert (answer.code, answer.out) == (2, "")
    told = {
        "no first line": "line 1",
        "a changed event": "line 10: its content",
        "a changed seal": f"line {len(lines)}",
        "no seal": f"line {len(lines)}: the file does not end in a seal",
    }
    assert told[damage] in answer.said
    assert not (tmp_path / "new.duckdb").exists()


def test_the_export_has_the_journals_form(cellar: Run, tmp_path: Path) -> None:
    cellar("export", "-o", "log.jsonl")
    first, *lines = map(json.loads, (tmp_path / "log.jsonl").read_text("utf-8").splitlines())
    assert first.keys() == {"format", "ledger"}
    seals = [line for line in lines if "head" in line]
    events = [line for line in lines if "head" not in line]
    assert [seal["head"]["position"] for seal in seals] == [1, HEAD]
    assert all(seal["head"].keys() == HEADS for seal in seals)
    assert [event["position"] for event in events] == list(range(1, HEAD + 1))
    assert all(
        event.keys() == {"position", "recorded_at", "hash", "salt", "event"} for event in events
    )


# --- loading ----------------------------------------------------------------------------------


def test_the_same_events_without_ids_are_likely_repeats(cellar: Run) -> None:
    again = cellar("load", "wine.jsonl", "--json")
    assert (again.code, again.out) == (2, "")
    assert again.err.count("[likely repeat]") == WINES


def test_the_same_ids_are_known_and_exit_with_0(cellar: Run, tmp_path: Path) -> None:
    told = {"position", "recorded_at", "hash"}
    logged = cellar("log", "--json").json[1:]
    events = [{key: row[key] for key in row if key not in told} for row in logged]
    (tmp_path / "again.jsonl").write_text("\n".join(map(json.dumps, events)))
    for words in (("again.jsonl",), ("again.jsonl", "again.jsonl")):
        answer = cellar("load", *words, "--json")
        counts = (answer.json["recorded"], answer.json["known"])
        assert (answer.code, counts) == (0, (0, WINES * len(words)))
    events[3]["note"] = "changed"
    (tmp_path / "again.jsonl").write_text("\n".join(map(json.dumps, events)))
    answer = cellar("load", "again.jsonl")
    assert answer.code == 2
    assert "again.jsonl:4" in answer.said
    assert "[same id, other content]" in answer.err


def test_one_file_named_twice_in_one_load_is_known_the_second_time(
    run: Run, tmp_path: Path
) -> None:
    run("init", "--premises", "Home", "--timezone", ZONE)
    line = {"kind": "party", "at": "2020-01-01", "name": "Shop"}
    line["id"] = "018f0000-0000-7000-8000-000000000001"
    (tmp_path / "one.jsonl").write_text(json.dumps(line))
    answer = run("load", "one.jsonl", "one.jsonl", "--json").json
    assert (answer["recorded"], answer["known"]) == (1, 1)


def test_several_files_are_one_load(cellar: Run, tmp_path: Path) -> None:
    good = '{"kind":"note","at":"2025-01-01","lot":"A","text":"x"}'
    (tmp_path / "good.jsonl").write_text(good)
    (tmp_path / "bad.jsonl").write_text(good.replace('"A"', '"Z"'))
    answer = cellar("load", "good.jsonl", "bad.jsonl")
    assert answer.code == 2
    assert "bad.jsonl:1" in answer.err
    assert "good.jsonl" not in answer.err
    assert cellar("log", "--kind", "note", "--json").json == []
    (tmp_path / "later.jsonl").write_text(
        '{"kind":"pick","at":"2025-09-01","block":"New","lot":"P","mass":"1 t"}'
    )
    (tmp_path / "block.jsonl").write_text(
        '{"kind":"block","at":"2025-09-01","name":"New","plantings":[{"variety":"Syrah"}]}'
    )
    assert cellar("load", "later.jsonl").code == 2
    assert cellar("load", "later.jsonl", "block.jsonl").code == 0, "checked as a whole"


def test_standard_input_is_a_file(run: Run) -> None:
    run("init", "--premises", "Home", "--timezone", ZONE)
    answer = run("load", "-", "--json", given=WINE.encode())
    assert (answer.code, answer.json["recorded"]) == (0, WINES)
    refused = run("load", "-", given=b'{"kind":"note"}\nnothing\n')
    assert refused.code == 2
    assert "standard input:1" in refused.err
    assert "standard input:2" in refused.err


def test_nothing_to_load_is_nothing_recorded(cellar: Run) -> None:
    for given in (b"", b"\n \n"):
        answer = cellar("load", "-", "--json", given=given)
        assert (answer.code, answer.json["recorded"], answer.json["known"]) == (0, 0, 0)
        assert answer.json["head"]["position"] == HEAD


def test_a_dry_run_records_nothing(cellar: Run, tmp_path: Path) -> None:
    journal = (tmp_path / "cellar.journal.jsonl").read_bytes()
    (tmp_path / "more.jsonl").write_text(GAIN)
    answer = cellar("load", "--dry-run", "more.jsonl", "--json").json
    assert (answer["recorded"], answer["would_record"]) == (0, 1)
    assert answer["head"]["position"] == HEAD
    assert [one["rule"] for one in answer["findings"]] == ["gain"]
    assert (tmp_path / "cellar.journal.jsonl").read_bytes() == journal
    assert cellar("log", "--kind", "gauge", "--json").json == []
    (tmp_path / "more.jsonl").write_text(GAIN.replace('"A"', '"Z"'))
    assert cellar("load", "--dry-run", "more.jsonl").code == 2


# --- recording one event ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "event"),
    [
        (
            ["rack", "from=A@T1 20 gal", "to=A@T8 20 gal"],
            {
                "from": {"lot": "A", "vessel": "T1", "volume": "20 gal"},
                "to": {"lot": "A", "vessel": "T8", "volume": "20 gal"},
            },
        ),
        (
            ["barrel_down", "from=B@T2 30 gal", "to=B@B-8..B-10 each 10 gal"],
            {
                "from": {"lot": "B", "vessel": "T2", "volume": "30 gal"},
                "to": {"lot": "B", "vessels": ["B-8", "B-9", "B-10"], "each": "10 gal"},
            },
        ),
        (
            ["blend", "from=A@T1 3 L", "from=B@T2 1 L", "to=E@T9 4 L"],
            {
                "from": [
                    {"lot": "A", "vessel": "T1", "volume": "3 L"},
                    {"lot": "B", "vessel": "T2", "volume": "1 L"},
                ],
                "to": {"lot": "E", "vessel": "T9", "volume": "4 L"},
            },
        ),
        (["loss", "lot=A", "all=true", "reason=spill"], {"all": True}),
        (["reading", "lot=A", "brix=24"], {"brix": "24"}),
        (["analysis", "lot=A", "values.ph=3", "values.va=<0.1"], {"values": {"ph": "3", "va": "<0.1"}}),
        (["note", "lot=A", "text=see [1] = {x}"], {"text": "see [1] = {x}"}),
        (["place", "name=P", "within=Washington"], {"within": ["Washington"]}),
        (["note", "lot=A", 'papers=[{"title":"tag"}]', "estimated=false"], {"estimated": False}),
        (["ship", "from=C24 12 bottles", "to=Shop", "removal=taxpaid"], {"to": "Shop"}),
        (["ship", "lot=C24", "bottles=12", "to=Shop", "removal=export"], {"bottles": 12}),
    ],
)  # fmt: skip
def test_one_event_is_typed_in_short(cellar: Run, words: list[str], event: dict[str, Any]) -> None:
    answer = cellar("record", *words, "at=2025-07-01T10:00", "--json")
    assert (answer.code, answer.json["recorded"]) == (0, 1), answer.err
    (row,) = [row for row in cellar("log", "--json").json if row["id"] == answer.json["id"]]
    assert {key: row[key] for key in event} == event
    assert row["kind"] == words[0]


def test_an_event_typed_without_a_time_is_of_now(cellar: Run, recorded_at: Clock) -> None:
    recorded_at("2026-12-01T08:30:59Z")
    answer = cellar("record", "note", "lot=A", "text=closed", "--json")
    (row,) = cellar("log", "--kind", "note", "--json").json
    assert (answer.code, row["at"]) == (0, "2026-12-01T00:30-08:00")


def test_an_event_typed_again_with_its_id_is_known(cellar: Run) -> None:
    words = ("record", "note", "lot=A", "text=x", "at=2025-07-01")
    identity = "id=018f0000-0000-7000-8000-000000000001"
    first, again = (cellar(*words, identity, "--json").json for _ in range(2))
    assert (first["recorded"], again["recorded"], again["known"]) == (1, 0, 1)
    assert first["id"] == again["id"] == identity.removeprefix("id=")
    other = cellar(*words[:-2], "text=y", "at=2025-07-01", identity)
    assert (other.code, other.out) == (2, "")
    assert "[same id, other content]" in other.err


# --- asking of the past -----------------------------------------------------------------------

Clock = Callable[[str], None]


def test_the_past_is_asked_by_day(cellar: Run) -> None:
    def names(*words: str) -> list[str]:
        return [row["lot"] for row in cellar(*words, "--json").json]

    assert names("lots", "--as-of", "2024-08-31") == []
    assert names("lots", "--as-of", "2024-09-01") == ["A", "B"], "the end of the day"
    assert names("lots", "--as-of", "2024-12-01") == ["A", "B", "C", "D"]
    assert names("lots") == ["A", "B", "C24", "D"]


def test_a_position_inside_a_load_means_the_load_before(run: Run, tmp_path: Path) -> None:
    run("init", "--premises", "Home", "--timezone", ZONE)
    for load in range(3):
        lines = [
            {"kind": "receive", "at": "2025-01-01", "lot": f"L{load}{n}", "volume": "1 L"}
            for n in range(3)
        ]
        (tmp_path / "load.jsonl").write_text("\n".join(map(json.dumps, lines)))
        assert run("load", "load.jsonl").code == 0
    held = [len(run("lots", "--known-on", str(at), "--json").json) for at in range(1, 12)]
    assert held == [0, 0, 0, 3, 3, 3, 6, 6, 6, 9, 9]


def test_the_past_is_asked_by_the_day_of_recording(run: Run, recorded_at: Clock) -> None:
    recorded_at("2025-01-10T20:00:00Z")
    run("init", "--premises", "Home", "--timezone", ZONE)
    recorded_at("2025-01-12T07:59:59Z")  # the last second of the 11th at the premises
    given = ("at=2025-01-02", "lot=L", "vessel=T1", "volume=100 L")
    identity = run("record", "receive", *given, "--json").json["id"]
    recorded_at("2025-01-20T20:00:00Z")
    replacement = dict(word.split("=") for word in given) | {"kind": "receive", "volume": "90 L"}
    mended = run(
        *("record", "correct", f"corrects={identity}", "reason=misread"),
        f"replacement={json.dumps(replacement)}",
    )
    assert mended.code == 0, mended.err

    def held(*words: str) -> list[str]:
        return [row["volume_l"] for row in run("lots", *words, "--json").json]

    assert held() == ["90"]
    assert held("--known-on", "2025-01-11") == ["100"]
    assert held("--known-on", "2025-01-10") == []
    assert held("--known-on", "2025-01-19", "--as-of", "2025-01-01") == []
    assert held("--as-of", "2025-01-02", "--known-on", "2025-01-20") == ["90"]
    assert run("lots", "--known-on", "2025-01-09").code == 2
    log = run("log", "--json").json
    assert [row.get("corrected_by") for row in log] == [None, 3, None]
    assert [row.get("corrects_position") for row in log] == [None, None, 2]
    assert len(run("log", "--known-on", "2", "--json").json) == 2


@pytest.mark.parametrize(
    "words",
    [
        "log", "lots", "trace A", "trace A --forward", "composition A", "balance", "balance A",
        "balance --by premises,owner", "claims C --label Red", "dossier C -o c.html --label Red",
    ],
)  # fmt: skip
def test_the_past_is_asked_by_every_command_that_answers(cellar: Run, words: str) -> None:
    asked = [*words.split(), "--json"]
    whole = ("--as-of", "2024-12-01", "--known-on", str(HEAD))
    then = cellar(*asked, *whole)
    assert then.code == 0, then.err
    cellar("record", "loss", "at=2024-12-15", "lot=A", "volume=1 gal", "reason=lees")
    assert cellar(*asked, *whole).out == then.out
    early = cellar(*asked, "--known-on", "1")
    assert early.code == (2 if asked[1] in ("A", "C") else 0)
    assert early.out != then.out


# --- options, streams, formats ----------------------------------------------------------------


def test_options_stand_before_or_after_a_command(cellar: Run, tmp_path: Path) -> None:
    (tmp_path / "cellar.duckdb").rename(tmp_path / "other.duckdb")
    (tmp_path / "cellar.journal.jsonl").rename(tmp_path / "other.journal.jsonl")
    options = ("--ledger", "other.duckdb", "--as-of", "2024-12-01", "--known-on", "14", "--json")
    joined = ("--ledger=other.duckdb", "--as-of=2024-12-01", "--known-on=14", "--json")
    after = cellar("composition", "A", "--by", "variety", *options)
    assert (after.code, after.json["lot"]) == (0, "A")
    for words in (
        (*options, "composition", "A", "--by", "variety"),
        (*joined, "composition", "A", "--by", "variety"),
        ("composition", *joined, "A", "--by", "variety"),
        (*options[:4], "composition", "A", "--by=variety", *options[4:]),
    ):
        assert cellar(*words) == after


def test_a_lot_that_looks_like_an_option_follows_two_dashes(cellar: Run) -> None:
    given = ("at=2025-01-01", "lot=--json", "volume=1 L")
    assert cellar("record", "receive", *given).code == 0
    answer = cellar("--json", "trace", "--", "--json")
    assert (answer.code, answer.json["lot"]) == (0, "--json")


def test_the_ledger_may_be_named_by_the_environment(
    cellar: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "elsewhere"
    folder.mkdir()
    monkeypatch.chdir(folder)
    assert cellar("lots").code == 3
    monkeypatch.setenv("AMPELOG_LEDGER", "../cellar.duckdb")
    assert len(cellar("lots", "--json").json) == 4
    assert cellar("lots", "--ledger", "none.duckdb").code == 3, "the option comes first"


LISTS = (
    "log",
    "lots",
    "trace C24",
    "trace A --forward",
    "composition C24",
    "balance",
    "claims C24",
)


@pytest.mark.parametrize("words", LISTS)
def test_a_list_is_told_as_csv(cellar: Run, words: str) -> None:
    answer = cellar(*words.split(), "--csv")
    assert (answer.code, answer.err) == (0, "")
    assert answer.out.endswith("\r\n")
    rows = list(csv.DictReader(io.StringIO(answer.out)))
    document = cellar(*words.split(), "--json").json
    listed = document if isinstance(document, list) else next(
        value for key, value in reversed(document.items()) if isinstance(value, list)
        and key in ("sources", "reaches", "shares", "claims")
    )  # fmt: skip
    assert len(rows) == len(listed)
    assert list(rows[0]) == list(dict.fromkeys(key for row in listed for key in row))


def test_a_list_as_csv_is_defused(cellar: Run) -> None:
    for number, text in enumerate(("=1+2", "+1", "-1+x", "@a", "\t=1", "fine", "-12.5")):
        assert (
            cellar("record", "note", "lot=A", f"text={text}", f"at=2025-07-0{number + 1}").code == 0
        )
    rows = list(csv.DictReader(io.StringIO(cellar("log", "--kind", "note", "--csv").out)))
    texts = [row["text"] for row in rows]
    assert texts == ["'=1+2", "'+1", "'-1+x", "'@a", "'\t=1", "fine", "-12.5"]


def test_messages_go_to_standard_error_and_answers_to_standard_output(cellar: Run) -> None:
    for words in ("lots", "verify", "log", "claims C24", "balance", "export -o x.jsonl"):
        answer = cellar(*words.split())
        assert answer.out
        assert answer.err == ""
    refused = cellar("lots", "--as-of", "never")
    assert refused.err.startswith("error: ")
    assert "hint:" in cellar("trace", "C-24").err


def test_nothing_is_coloured_where_no_terminal_reads(cellar: Run) -> None:
    for words in ("claims C24", "claims D --label Red", "trace Z"):
        answer = cellar(*words.split())
        assert "\033" not in answer.out + answer.err


@pytest.mark.parametrize("command", ["lots", "trace", "load", "export", "verify"])
def test_a_command_helps_without_a_ledger(run: Run, command: str) -> None:
    answer = run(command, "--help")
    assert (answer.code, answer.err) == (0, "")
    assert f"Example: ampelog {command}" in " ".join(answer.out.split())


# --- as a process of its own ------------------------------------------------------------------


def test_a_process_keeps_its_streams_apart(cellar: Run, tmp_path: Path) -> None:
    ledger = str(tmp_path / "cellar.duckdb")
    answer = outside("lots", "--json", AMPELOG_LEDGER=ledger)
    assert (answer.code, answer.err) == (0, "")
    assert answer.out == cellar("lots", "--json").out
    loaded = outside("load", "-", given=GAIN.encode(), AMPELOG_LEDGER=ledger)
    assert loaded.code == 0
    assert loaded.out.startswith("1 event recorded")
    assert loaded.err.startswith("finding: standard input:1")
    refused = outside("trace", "Z", AMPELOG_LEDGER=ledger)
    assert (refused.code, refused.out) == (2, "")
    assert outside("lots", AMPELOG_LEDGER=ledger + ".none").code == 3
    assert outside("claims", "D", "--label", "Red", AMPELOG_LEDGER=ledger).code == 1


@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "utf-8"])
def test_a_terminal_of_any_encoding_is_written_to(
    cellar: Run, tmp_path: Path, encoding: str
) -> None:
    cellar("record", "note", "lot=A", "text=Mourvèdre, ü, 葡萄", "at=2025-07-01")
    said = {"AMPELOG_LEDGER": str(tmp_path / "cellar.duckdb"), "PYTHONIOENCODING": encoding}
    words = [sys.executable, "-m", "ampelog", "log", "--kind", "note"]
    for more in ([], ["--json"], ["--csv"]):
        done = subprocess.run([*words, *more], capture_output=True, env=said, check=False, cwd=TOP)
        assert (done.returncode, done.stderr) == (0, b"")
        shown = done.stdout.decode(encoding)
        if more == ["--json"]:
            assert json.loads(shown)[0]["text"] == "Mourvèdre, ü, 葡萄"


@pytest.mark.usefixtures("cellar")
def test_a_closed_pipe_is_neither_yes_nor_no(tmp_path: Path) -> None:
    for words in (["lots"], ["claims", "C24"], ["log", "--json"]):
        with subprocess.Popen(
            [sys.executable, "-m", "ampelog", *words],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            cwd=tmp_path,
        ) as asking:
            assert asking.stdout is not None
            assert asking.stderr is not None
            asking.stdout.close()
            noted = asking.stderr.read()
            assert (asking.wait(timeout=60), noted) == (141, b"")


@pytest.mark.usefixtures("cellar")
def test_a_full_disk_under_the_output_is_said(tmp_path: Path) -> None:
    full = Path("/dev/full")
    if not full.exists():
        pytest.skip("this system has no device that is always full")
    for words in (["lots"], ["lots", "--json"]):
        with full.open("w") as out:
            done = subprocess.run(
                [sys.executable, "-m", "ampelog", *words],
                stdout=out,
                stderr=subprocess.PIPE,
                cwd=tmp_path,
                check=False,
            )
        assert done.returncode == 3
        assert done.stderr.startswith(b"error: the output: No space left")


@pytest.mark.usefixtures("cellar")
def test_closed_streams_are_no_traceback(tmp_path: Path) -> None:
    program = f"{sys.executable} -m ampelog"
    for line, code in (("lots >&-", 0), ("load - <&-", 2), ("trace Z 2>&-", 2), ("lots <&-", 0)):
        done = subprocess.run(
            ["sh", "-c", f"{program} {line}"], capture_output=True, cwd=tmp_path, check=False
        )
        assert done.returncode == code
        assert b"Traceback" not in done.stdout + done.stderr


def test_a_stopped_load_records_nothing_and_says_so(
    cellar: Run, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    # A shell that starts the tests in the background has them ignore it, and what they start too.
    before_it = signal.signal(signal.SIGINT, signal.default_int_handler)
    request.addfinalizer(lambda: signal.signal(signal.SIGINT, before_it))
    journal = tmp_path / "cellar.journal.jsonl"
    before = journal.read_bytes()
    with subprocess.Popen(
        [sys.executable, "-m", "ampelog", "load", "-"],
        stdin=subprocess.PIPE,
        stderr=subprocess.PIPE,
        cwd=tmp_path,
    ) as load:
        assert load.stdin is not None
        assert load.stderr is not None
        # More than a pipe holds: once it is written, the program is reading it.
        load.stdin.write((GAIN.encode() + b"\n") * (2**21 // len(GAIN)))
        load.stdin.flush()
        load.send_signal(signal.SIGINT)
        assert b"stopped; nothing was half-recorded" in load.stderr.read()
        assert load.wait(timeout=60) == 130
    assert journal.read_bytes() == before
    assert cellar("verify").code == 0


@pytest.mark.parametrize(
    ("line", "offered"),
    [
        ("trace C2", ["C24"]),
        ("composition C", ["C24", "C"]),
        ("composition C24 --vessel T4", ["T4"]),
        ("claims C24 --label R", ["Red"]),
        ("claimable C24 --adding B", ["B"]),
        ("ingredients C2", ["C24"]),
        ("dossier C2", ["C24"]),
        ("readiness D", ["D"]),
        ("numbers A", ["A"]),
        ("balance F", ["F1", "F2"]),
        ("vessels T4", ["T4"]),
        ("log --block H", ["Hill"]),
        ("log --party S", ["Shop"]),
        ("log --kind ra", ["rack"]),
        ("recall --lot D", ["D"]),
        ("recall --block F", ["Flat"]),
        ("recall --back C2", ["C24"]),
    ],
)
def test_a_shell_offers_the_ledgers_own_names(
    cellar: Run, line: str, offered: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("_AMPELOG_COMPLETE", "complete_bash")
    monkeypatch.setenv("COMP_WORDS", f"ampelog {line}")
    monkeypatch.setenv("COMP_CWORD", str(len(line.split())))
    monkeypatch.setenv("_TYPER_COMPLETE_ARGS", f"ampelog {line}")
    assert cellar().out.split() == offered


def test_one_command_alone_is_prepared_as_among_all_of_them() -> None:
    whole = get_command(cli.app)
    alone = get_command(cli._asked(["lots", "--bottled"]))
    assert list(getattr(alone, "commands", ())) == ["lots"]
    assert [one.opts for one in alone.params] == [one.opts for one in whole.params]
    for words in ([], ["nothing"], ["-h"]):
        assert cli._asked(words) is cli.app


def test_a_name_that_was_typed_decomposed_is_found(run: Run) -> None:
    composed, apart = "Ros\u00e9", "Rose\u0301"
    run("init", "--premises", "Home", "--timezone", "America/Los_Angeles")
    assert run("record", "receive", "at=2024-10-01", f"lot={apart}", "volume=1 L").code == 0
    assert len(run("log", "--lot", apart, "--json").json) == 1
    assert len(run("log", f"--lot={apart}", "--json").json) == 1
    assert run("composition", apart, "--json").json["lot"] == composed


def test_the_name_of_a_file_stays_as_it_was_typed(run: Run, tmp_path: Path) -> None:
    apart = "Rose\u0301.jsonl"
    (tmp_path / apart).write_text("", encoding="utf-8")
    run("init", "--premises", "Home", "--timezone", "America/Los_Angeles")
    assert run("load", apart).code == 0
    folder = tmp_path / "e\u0301t\u00e9"
    folder.mkdir()
    assert run("export", "-o", f"{folder.name}/log.jsonl").code == 0
    assert [path.name for path in folder.iterdir()] == ["log.jsonl"]


def test_a_label_that_states_nothing_is_told_so(run: Run) -> None:
    run("init", "--premises", "Home", "--timezone", "America/Los_Angeles")
    run("record", "receive", "at=2024-10-01", "lot=W", "volume=100 L", "vessel=T1")
    run("record", "label", "at=2020-01-01", "name=E")
    told = run("claims", "W", "--label", "E")
    assert "nothing to judge" in told.out
    assert "Nothing that the wine would decide" in run("claimable", "W", "--label", "E").out


def test_a_ledger_that_may_not_be_read_cannot_be_opened(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run("init", "--premises", "Home", "--timezone", "America/Los_Angeles")
    allowed = os.access
    closed = str(tmp_path / "cellar.duckdb")
    monkeypatch.setattr(
        os, "access", lambda path, *how: str(path) != closed and allowed(path, *how)
    )
    assert run("lots", "--ledger", closed).code != 2


def test_tables_of_a_vintage_into_a_file_are_refused(cellar: Run, tmp_path: Path) -> None:
    (tmp_path / "there").write_text("", encoding="utf-8")
    answer = cellar("vintage", "2024", "-o", "v.html", "--tables", "there")
    assert (answer.code, "cannot be made" in answer.err) == (2, True)


def test_the_fills_of_bottles_in_one_place_are_told_apart(run: Run) -> None:
    run("init", "--premises", "Home", "--timezone", "America/Los_Angeles")
    for lot, vessel, variety in (("W", "T1", "Merlot"), ("V", "T2", "Syrah")):
        made = f'composition=[{{"share": "1", "variety": "{variety}"}}]'
        place = f"vessel={vessel}"
        run("record", "receive", "at=2024-10-01", f"lot={lot}", "volume=100 L", place, made)
        drawn = f'from={{"lot": "{lot}", "volume": "7.5 L"}}'
        filled = 'to={"lot": "B", "vessel": "bay 1", "bottles": 10, "format": "750 mL"}'
        assert run("record", "bottle", f"at=2024-10-0{2 + (lot == 'V')}", drawn, filled).code == 0
    whole = run("composition", "B", "--json").json
    there = run("composition", "B", "--vessel", "bay 1", "--json").json
    assert len(whole["fills"]) == 2
    assert there["fills"] == whole["fills"]
