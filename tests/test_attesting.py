"""A dossier that proves itself: what is attached, and that every change to it is found and named."""

from __future__ import annotations

import gzip
import io
import json
import os
import random
import subprocess
import sys
from collections.abc import Callable, Mapping
from copy import deepcopy
from hashlib import sha256
from pathlib import Path
from typing import Any

import page
import pikepdf
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec import to_builtins
from msgspec.structs import asdict, replace

from ampelog import (
    attesting,
    chain,
    ledger,
    moments,
    parcel,
    proof,
    recalled,
    render,
    report,
    upkeep,
)
from ampelog.errors import Refused
from ampelog.facts import Dossier, document
from ampelog.parcel import EVIDENCE, FIGURES, HEAD, MANIFEST, PROOF, Asked
from ampelog.printing import Attached
from ampelog.questions import View
from ampelog.render import Options
from ampelog.unpacking import unpacked
from tests.conftest import HOME, NOW, Vintage, as_lines
from tests.program import TOP, Run, copied

pytest_plugins = ("tests.running",)

Files = dict[str, bytes]
Line = dict[str, Any]
SECRETS = ("Ines", "BOL-77", "Mr Ardern", "a leaking valve", "Shop")
MORE = """
{"kind":"receive","at":"2024-11-01","lot":"X","vessel":"T7","volume":"300 L","supplier":"Shop","document":"BOL-77","by":"Ines","composition":[{"share":"1","variety":"Merlot","vintage":2024}]}
{"kind":"top","at":"2024-11-02","from":{"lot":"X","volume":"50 L"},"to":{"lot":"A","vessel":"T1","volume":"49 L"},"note":"Mr Ardern was here","ref":"WO-1","loss":"line"}
{"kind":"loss","at":"2024-11-03","lot":"A","volume":"3 L","reason":"spill","note":"a leaking valve"}
{"kind":"reading","id":"018f3b5c-0000-7000-8000-00000000000c","at":"2024-11-04","lot":"A","brix":"3.0"}
{"kind":"correct","at":"2024-11-05","corrects":"018f3b5c-0000-7000-8000-00000000000c","reason":"misread by Mr Ardern","replacement":{"kind":"reading","at":"2024-11-04","lot":"A","brix":"2.0"}}
"""


@pytest.fixture(scope="module")
def told(wine_ledger: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wine's ledger with a receipt, remarks and a correction."""
    path = copied(wine_ledger, tmp_path_factory.mktemp("told"))
    with ledger.opened(path, write=True) as opened:
        Vintage(opened).record(as_lines(MORE))
    return path


def dossier(path: Path, asked: Asked) -> tuple[Dossier, tuple[Attached, ...]]:
    """The facts of a dossier and its attachments."""
    with ledger.opened(path) as opened:
        view = View(opened, asked.as_of)
        asked = replace(asked, until=view.until)
        made = parcel.told(report.dossier(view, asked.lot), asked)
        return made, parcel.parcel(view, made, asked)


@pytest.fixture(scope="module")
def whole(told: Path) -> tuple[Dossier, Files, bytes]:
    """A masked dossier of the bottles: its facts, its attachments, its PDF."""
    made, attached = dossier(told, Asked("C24"))
    content = render.pdf(made, Options(), attached).content
    return made, {one.name: one.content for one in attached}, content


def verified(content: bytes, path: Path | None = None) -> dict[str, Any]:
    """What is found of a PDF, with a ledger or without."""
    if path is None:
        return attesting.verify(content, "x.pdf", None)
    with ledger.opened(path) as opened:
        return attesting.verify(content, "x.pdf", opened)


def rules_of(answer: Mapping[str, Any]) -> set[str]:
    assert answer["ok"] is (not answer["findings"])
    return {one["rule"] for one in answer["findings"]}


def carrying(files: Files, content: bytes, *, listed: bool = True) -> bytes:
    """A PDF with its attachments changed, and the manifest with them."""
    if listed:
        files = {**files, MANIFEST: manifest(files)}
    with pikepdf.open(io.BytesIO(content)) as document:
        for name in set(document.attachments) - files.keys():
            del document.attachments[name]
        for name, inside in files.items():
            if name in document.attachments:
                document.attachments[name].obj.EF.F.write(inside)
            else:
                spec = pikepdf.AttachedFileSpec(document, inside, filename=name)
                document.attachments[name] = spec
        target = io.BytesIO()
        document.save(target)
    return target.getvalue()


def manifest(files: Files) -> bytes:
    said = json.loads(files[MANIFEST])
    said["files"] = {
        name: sha256(inside).hexdigest() for name, inside in files.items() if name != MANIFEST
    }
    return json.dumps(said).encode()


def lines_of(files: Files) -> list[Line]:
    return [json.loads(one) for one in gzip.decompress(files[EVIDENCE]).splitlines()]


def with_lines(files: Files, lines: list[Line]) -> Files:
    text = "".join(json.dumps(one) + "\n" for one in lines)
    return {**files, EVIDENCE: gzip.compress(text.encode())}


def checked(line: Line) -> Line:
    """A line of masked evidence with its check worked out again."""
    event, position, at = line["event"], line["position"], line["recorded_at"]
    leaf = chain.leaf_hash(event, line["private"], position, at)
    return {**line, "check": leaf[: parcel.CHECKED]}


@pytest.fixture
def without_pages(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leaves out the printing, which takes most of the time."""
    monkeypatch.setattr(attesting, "_pages", lambda *_: 0)


# ---- whole


def test_a_dossier_follows_from_its_evidence_with_and_without_the_ledger(
    whole: tuple[Dossier, Files, bytes], told: Path
) -> None:
    alone, beside = verified(whole[2]), verified(whole[2], told)
    assert alone["findings"] == beside["findings"] == []
    assert "ledger" not in alone["checked"]
    assert beside["checked"]["ledger"] == beside["checked"]["events"] > 15
    assert alone["checked"]["pages"] >= 3
    assert alone["checked"]["figures"] > 200
    assert alone["checked"]["masked"] > 0


def test_the_file_is_lawful_for_archives_and_for_readers_of_screens(
    whole: tuple[Dossier, Files, bytes], tmp_path: Path
) -> None:
    path = tmp_path / "a.pdf"
    path.write_bytes(whole[2])
    for profile in (page.ValidationProfile.PDF_A_3A, page.ValidationProfile.PDF_UA_1):
        found = page.validate_pdf(str(path), profile=profile)
        assert found.checks
        assert found.is_compliant, str(found)


def test_the_attachments_are_what_they_are_called(whole: tuple[Dossier, Files, bytes]) -> None:
    made, files, content = whole
    with pikepdf.open(io.BytesIO(content)) as document:
        inside = {name: spec.get_file() for name, spec in document.attachments.items()}
        assert {name: one.read_bytes() for name, one in inside.items()} == files
        assert inside[EVIDENCE].mime_type == "application/gzip"
        assert str(document.attachments[EVIDENCE].relationship) == "/Data"
    assert set(files) == {
        EVIDENCE, FIGURES, HEAD, PROOF, MANIFEST, "rules-us.toml", "rules-us_grape_names.csv"
    }  # fmt: skip
    pack = TOP / "ampelog" / "rulepacks" / "us.toml"
    assert files["rules-us.toml"] == pack.read_bytes()
    assert files[EVIDENCE][3:10] == b"\0\0\0\0\0\2\xff", "neither name nor time nor system"
    head = json.loads(files[HEAD])
    assert head == asdict(made.head)
    assert (
        proof.root_of(
            {
                one["position"] - 1: chain.leaf_hash(
                    one["event"], one["private"], one["position"], one["recorded_at"]
                )
                for one in lines_of(files)
            },
            head["position"],
            json.loads(files[PROOF])["nodes"],
        )
        == head["root"]
    )


def test_the_same_ledger_gives_the_same_bytes_wherever_it_is_asked(
    told: Path, whole: tuple[Dossier, Files, bytes], tmp_path: Path
) -> None:
    """The C locale and another one, another zone and another folder."""
    environment = {**os.environ, "TZ": "Asia/Tokyo", "LC_ALL": "C", "PYTHONHASHSEED": "7"}
    subprocess.run(
        [sys.executable, "-m", "ampelog", "--ledger", str(told), "dossier", "C24", "-o", "b.pdf"],
        check=True,
        capture_output=True,
        cwd=tmp_path,
        env={**environment, "PYTHONPATH": str(TOP)},
    )
    assert (tmp_path / "b.pdf").read_bytes() == whole[2]


def test_masked_evidence_tells_nothing_private_and_gives_the_same_figures(
    told: Path, whole: tuple[Dossier, Files, bytes], without_pages: None
) -> None:
    del without_pages
    made, attached = dossier(told, Asked("C24", private=True))
    masked = gzip.decompress(whole[1][EVIDENCE]).decode()
    plain = gzip.decompress({one.name: one.content for one in attached}[EVIDENCE]).decode()
    for secret in SECRETS:
        assert secret in plain
        assert secret not in masked
    assert '"/reason":"spill"' in masked
    assert replace(made, proves=()) == replace(whole[0], proves=())
    content = carrying({one.name: one.content for one in attached}, whole[2], listed=False)
    answer = verified(content)
    assert answer["findings"] == []
    assert answer["checked"]["masked"] == 0


def test_bulk_wine_and_fruit_carry_evidence_too(told: Path, without_pages: None) -> None:
    del without_pages
    blank = render.pdf(*_blank()).content
    for lot in ("A", "F1", "C"):
        made, attached = dossier(told, Asked(lot, as_of="2024-12-15"))
        assert made.wine.lot == lot
        answer = verified(
            carrying({one.name: one.content for one in attached}, blank, listed=False)
        )
        assert answer["findings"] == [], lot


def _blank() -> tuple[Dossier, Options]:
    from tests import invented

    return invented.dossier(2, 1), Options()


def test_the_masked_evidence_of_the_example_gives_its_figures(example_ledger: Path) -> None:
    """Returns, owners, estates, press wine, several fills: nothing needs what is masked."""
    with ledger.opened(example_ledger) as opened:
        view = View(opened)
        for lot in view.all_lots()[1::6]:
            asked = Asked(lot.name, until=view.until)
            made = parcel.told(report.dossier(view, lot.name), asked)
            found = unpacked({one.name: one.content for one in parcel.parcel(view, made, asked)})
            figures, _ = attesting._figures(found)
            assert found.findings == [], lot.name
            assert figures > 100


def test_much_evidence_stays_small(another: Callable[[], Vintage]) -> None:
    """A lot with 5,000 readings: under 100 bytes an event, masked or not."""
    vintage = another()
    vintage.load('{"kind":"receive","at":"2024-01-01","lot":"A","vessel":"T1","volume":"1000 L"}')
    vintage.record(
        [
            json.dumps({
                "kind": "reading", "lot": "A", "brix": f"{number % 240 / 10:.1f}", "by": "Ines",
                "at": f"2024-{1 + number // 700:02d}-{1 + number % 28:02d}T{number % 24:02d}:{number % 60:02d}",
                "note": f"reading {number}",
            }).encode()
            for number in range(5000)
        ]
    )  # fmt: skip
    view = vintage.view()
    for private in (False, True):
        asked = Asked("A", private=private)
        made = report.dossier(view, "A")
        size = {one.name: len(one.content) for one in parcel.parcel(view, made, asked)}
        assert size[EVIDENCE] < 100 * 5000, size
        assert size[PROOF] < 4000


# ---- changed


@pytest.mark.parametrize(
    "name", [EVIDENCE, FIGURES, HEAD, PROOF, MANIFEST, "rules-us.toml", "rules-us_grape_names.csv"]
)
def test_a_changed_byte_in_an_attachment_is_found_and_the_file_named(
    name: str, whole: tuple[Dossier, Files, bytes], without_pages: None
) -> None:
    del without_pages
    inside = bytearray(whole[1][name])
    at = len(inside) // 2
    inside[at] ^= 1
    answer = verified(carrying({**whole[1], name: bytes(inside)}, whole[2], listed=False))
    assert not answer["ok"]
    assert any(name in one["where"] or name in one["says"] for one in answer["findings"]), answer


def test_attachments_that_are_missing_or_too_many_are_named(
    whole: tuple[Dossier, Files, bytes], without_pages: None
) -> None:
    del without_pages
    files = {name: one for name, one in whole[1].items() if name != PROOF}
    answer = verified(carrying({**files, "more.json": b"{}"}, whole[2], listed=False))
    found = {(one["rule"], one["where"]) for one in answer["findings"]}
    assert {("attachment missing", PROOF), ("attachment not listed", "more.json")} <= found
    left_out = {name: one for name, one in whole[1].items() if not name.startswith("rules-us.")}
    answer = verified(carrying(left_out, whole[2]))
    assert ("other rules", "rules-us.toml") in {
        (one["rule"], one["where"]) for one in answer["findings"]
    }


def test_a_changed_figure_is_named_with_what_the_evidence_comes_to(
    whole: tuple[Dossier, Files, bytes],
) -> None:
    """Whoever changes it in the file of figures prints the pages from it as well."""
    made, files, _ = whole
    table = made.composition[0]
    rows = tuple(replace(one, share="0.5") for one in table.rows)
    forged = replace(made, composition=(replace(table, rows=rows), *made.composition[1:]))
    said = json.loads(files[FIGURES])
    said["figures"] = json.loads(json.dumps(report_document(forged)))
    changed = {**files, FIGURES: json.dumps(said).encode()}
    changed[MANIFEST] = manifest(changed)
    content = render.pdf(forged, Options(), parcel.in_order(changed)).content
    answer = verified(content)
    assert rules_of(answer) == {"figure differs"}
    found = answer["findings"][0]
    assert found["where"] == "composition, By variety, rows, Syrah, share"
    assert "the dossier says `0.5`" in found["says"]
    assert answer["checked"]["pages"] >= 3


def report_document(made: Dossier) -> dict[str, Any]:
    from ampelog.facts import document

    return document(made)


def test_a_changed_figure_on_a_page_is_named_with_its_page(
    whole: tuple[Dossier, Files, bytes],
) -> None:
    made, files, _ = whole
    forged = replace(made, wine=replace(made.wine, filled="999"))
    content = render.pdf(forged, Options(), parcel.in_order(files)).content
    answer = verified(content)
    assert rules_of(answer) == {"page differs"}
    one = answer["findings"][0]
    assert one["where"] == "page 1"
    assert "`999`" in one["says"]
    assert "`480`" in one["says"]


def test_pages_that_were_swapped_or_drawn_over_are_named(
    whole: tuple[Dossier, Files, bytes],
) -> None:
    content = whole[2]
    with pikepdf.open(io.BytesIO(content)) as document:
        document.pages[1], document.pages[2] = document.pages[2], document.pages[1]
        document.pages[0].contents_add(b"0 0 0 rg 100 600 200 50 re f", prepend=False)
        target = io.BytesIO()
        document.save(target)
    found = {one["where"]: one for one in verified(target.getvalue())["findings"]}
    assert {"page 1", "page 2", "page 3"} <= found.keys()
    assert "drawn otherwise" in found["page 1"]["says"]


def noted(document: pikepdf.Pdf) -> None:
    box = pikepdf.Array([100, 500, 400, 700])
    note = pikepdf.Dictionary(
        Type=pikepdf.Name.Annot, Subtype=pikepdf.Name.FreeText, Rect=box,
        Contents=pikepdf.String("Released"), DA=pikepdf.String("/Helv 20 Tf"), F=4,
    )  # fmt: skip
    document.pages[0].Annots = pikepdf.Array([document.make_indirect(note)])


def cropped(document: pikepdf.Pdf) -> None:
    document.pages[0].CropBox = pikepdf.Array([0, 0, 300, 300])


def turned(document: pikepdf.Pdf) -> None:
    document.pages[0].Rotate = 180


@pytest.mark.parametrize("change", [noted, cropped, turned])
def test_a_page_that_is_shown_otherwise_is_named(
    whole: tuple[Dossier, Files, bytes], change: Callable[[pikepdf.Pdf], None]
) -> None:
    with pikepdf.open(io.BytesIO(whole[2])) as document:
        change(document)
        target = io.BytesIO()
        document.save(target)
    (one,) = verified(target.getvalue())["findings"]
    assert (one["rule"], one["where"]) == ("page differs", "page 1")
    assert "what is shown of it may be other" in one["says"]


def test_any_other_byte_of_the_file_is_missed(whole: tuple[Dossier, Files, bytes]) -> None:
    with pikepdf.open(io.BytesIO(whole[2])) as document:
        document.docinfo["/Subject"] = "Other words"
        target = io.BytesIO()
        document.save(target)
    assert rules_of(verified(target.getvalue())) == {"file differs"}


def position_of(lines: list[Line], kind: str, lot: str) -> int:
    return next(
        at
        for at, one in enumerate(lines)
        if one["event"]["kind"] == kind and lot in json.dumps(one["event"])
    )


def test_an_edited_event_is_named_by_its_line_and_position(
    whole: tuple[Dossier, Files, bytes], without_pages: None
) -> None:
    del without_pages
    lines = lines_of(whole[1])
    at = position_of(lines, "pick", "F1")
    lines[at]["event"]["mass"] = "1001 kg"
    answer = verified(carrying(with_lines(whole[1], lines), whole[2]))
    assert rules_of(answer) == {"event changed"}
    where = f"{EVIDENCE}, line {at + 1} (position {lines[at]['position']})"
    assert answer["findings"][0]["where"] == where


def test_an_edited_event_whose_hash_was_worked_out_again_fails_the_proof(
    whole: tuple[Dossier, Files, bytes], without_pages: None
) -> None:
    del without_pages
    lines = lines_of(whole[1])
    at = position_of(lines, "pick", "F1")
    lines[at]["event"]["mass"] = "1001 kg"
    lines[at] = checked(lines[at])
    answer = verified(carrying(with_lines(whole[1], lines), whole[2]))
    assert rules_of(answer) == {"proof fails"}
    assert answer["checked"]["figures"] == 0, "nothing is worked out from what is not proved"


def test_nothing_is_told_in_place_of_public_text(
    whole: tuple[Dossier, Files, bytes], without_pages: None
) -> None:
    del without_pages
    for pointer in ("/mass", "/note/x", "/nowhere/by", "/by"):
        lines = lines_of(whole[1])
        at = position_of(lines, "pick", "F1")
        lines[at]["stated"] = {**lines[at]["stated"], pointer: "500 kg"}
        answer = verified(carrying(with_lines(whole[1], lines), whole[2]))
        if pointer == "/by":
            assert "figure differs" in rules_of(answer), "what is masked is told otherwise"
        else:
            assert rules_of(answer) == {"event changed"}, pointer


def test_an_event_left_out_is_missed_by_the_lot_that_lacks_it(
    whole: tuple[Dossier, Files, bytes], told: Path, without_pages: None
) -> None:
    """The proof is made anew for what is left: every leaf is known to whoever has the ledger."""
    del without_pages
    for kind, lot in (("crush", "F1"), ("loss", "A"), ("blend", "C")):
        lines = lines_of(whole[1])
        del lines[position_of(lines, kind, lot)]
        with ledger.opened(told) as opened:
            tree = chain.Tree([one.hash for one in opened.records()])
        nodes = proof.together(tree, [one["position"] - 1 for one in lines])
        remade = {**whole[1], PROOF: json.dumps({"size": tree.size, "nodes": nodes}).encode()}
        answer = verified(carrying(with_lines(remade, lines), whole[2]))
        assert rules_of(answer) & {"event missing", "figure differs"}, kind
        if kind == "crush":
            assert "A" in {one["lot"] for one in answer["findings"]}


def without(path: Path, asked: Asked, content: bytes, kind: str) -> bytes:
    """A dossier that leaves out the events of a kind and comes to figures of its own; every hash,
    its proof and its head are in order."""
    made, attached = dossier(path, asked)
    files = {one.name: one.content for one in attached}
    files = with_lines(files, [one for one in lines_of(files) if one["event"]["kind"] != kind])
    with ledger.opened(path) as opened:
        tree = chain.Tree([one.hash for one in opened.records()])
    nodes = proof.together(tree, [one["position"] - 1 for one in lines_of(files)])
    files[PROOF] = json.dumps({"size": tree.size, "nodes": nodes}).encode()
    found = unpacked({**files, MANIFEST: manifest(files)})
    assert found.findings == []
    asked = recalled.recall(Asked, json.loads(files[FIGURES])["asked"])
    again = attesting._again(found, asked)
    assert again is not None, "what is left makes a dossier"
    assert again != document(made), "and another one"
    files[FIGURES] = json.dumps({"asked": to_builtins(asked), "figures": again}).encode()
    return carrying(files, content)


@pytest.mark.parametrize("private", [True, False])
@pytest.mark.parametrize("kind", ["correct", "hold"])
def test_what_a_dossier_leaves_out_is_named_by_the_ledger(
    whole: tuple[Dossier, Files, bytes], told: Path, tmp_path: Path, kind: str, private: bool,
    without_pages: None,
) -> None:  # fmt: skip
    """By its evidence alone all of it follows: only the ledger knows that there is more."""
    del without_pages
    path = copied(told, tmp_path)
    with ledger.opened(path, write=True) as opened:
        says = [
            b'{"kind":"hold","at":"2025-07-02","lot":"C24","reason":"chips"}',
            b'{"kind":"note","at":"2025-07-03","lot":"C24","text":"looked at"}',
        ]
        Vintage(opened).record(says)
        at = {one.event["kind"]: one.position for one in opened.records()}[kind]
    forged = without(path, Asked("C24", private=private), whole[2], kind)
    assert verified(forged)["ok"], "without the ledger nothing is missed"
    answer = verified(forged, path)
    assert rules_of(answer) == {"left out"}
    assert f", position {at}" in answer["findings"][0]["where"]
    assert len(answer["findings"]) > 1, "the figures that the ledger comes to are told too"


def test_a_head_of_another_root_fails_the_proof(
    whole: tuple[Dossier, Files, bytes], without_pages: None
) -> None:
    del without_pages
    head = {**json.loads(whole[1][HEAD]), "root": "0" * 64}
    answer = verified(carrying({**whole[1], HEAD: json.dumps(head).encode()}, whole[2]))
    assert rules_of(answer) == {"proof fails"}


WRONG: tuple[Any, ...] = (
    *(None, 1, "", [], {}, "x", "3 L", "0 L", "5 kg", True, "2024-01-01", 10**15, ["A"]),
    *({"lot": "A", "all": True}, {"lot": "Q", "volume": "3 L"}, "A", "C24"),
)


def test_a_forged_log_is_answered_whatever_stands_in_it(
    whole: tuple[Dossier, Files, bytes],
) -> None:
    """The forger builds a tree over any lines, under a root of his own; nothing is a traceback, and
    nothing that changes a figure passes."""
    files = whole[1]

    @settings(max_examples=60)
    @given(data=st.data())
    def law(data: st.DataObject) -> None:
        lines = lines_of(files)
        for _ in range(data.draw(st.integers(1, 2))):
            there = data.draw(st.sampled_from(places([one["event"] for one in lines])))
            node, key = there
            node[key] = deepcopy(data.draw(st.sampled_from(WRONG)))  # each place has its own
        found = unpacked(forged(files, lines))
        if not found.findings:
            attesting._figures(found)
        assert all(one.rule and one.says for one in found.findings)

    law()


def places(value: Any) -> list[tuple[Any, Any]]:
    """Every field and item in a value, as where it stands and under which key."""
    keys: list[Any] = []
    if isinstance(value, dict):
        keys = list(value)
    elif isinstance(value, list):
        keys = list(range(len(value)))
    return [one for key in keys for one in ((value, key), *places(value[key]))]


def forged(files: Files, lines: list[Line]) -> Files:
    """Files whose proof and head are those of a tree over these lines."""
    size = json.loads(files[HEAD])["position"]
    leaves = ["0" * 64] * size
    lines = [checked(one) for one in lines]
    for one in lines:
        event, position, at = one["event"], one["position"], one["recorded_at"]
        leaves[position - 1] = chain.leaf_hash(event, one["private"], position, at)
    tree = chain.Tree(leaves)
    nodes = proof.together(tree, [one["position"] - 1 for one in lines])
    head = {**json.loads(files[HEAD]), "root": tree.root()}
    made = with_lines(files, lines)
    made |= {PROOF: json.dumps({"size": size, "nodes": nodes}).encode()}
    made |= {HEAD: json.dumps(head).encode()}
    return {**made, MANIFEST: manifest(made)}


def test_damaged_bytes_are_refused_or_found(whole: tuple[Dossier, Files, bytes]) -> None:
    """One flipped bit anywhere in the file."""
    content, rng = whole[2], random.Random(11)
    for _ in range(3):
        damaged = bytearray(content)
        damaged[rng.randrange(len(content))] ^= 1 << rng.randrange(8)
        try:
            answer = verified(bytes(damaged))
        except Refused:
            continue
        assert not answer["ok"]
        assert answer["findings"]


# ---- whose ledger


def twin(folder: Path, ledger_id: str, loads: list[str]) -> Path:
    """A ledger of a given id; its salts, and so its root, are its own."""
    path = folder / "twin.duckdb"
    first = ledger.Draft(dict(HOME), moments.instant(HOME["at"], moments.zone_of(HOME["timezone"])))
    ledger.create(path, first, moments.to_stamp(NOW), ledger_id)
    with ledger.opened(path, write=True) as opened:
        upkeep.project(opened)
        for one in loads:
            Vintage(opened).record(as_lines(one))
    return path


def test_a_ledger_that_is_another_shorter_or_changed_is_told(
    whole: tuple[Dossier, Files, bytes], wine_ledger: Path, told: Path, tmp_path: Path,
    without_pages: None,
) -> None:  # fmt: skip
    del without_pages
    answer = verified(whole[2], wine_ledger)  # as it was before the last load
    assert rules_of(answer) == {"not in the ledger"}
    assert "older copy" in answer["findings"][0]["hint"]
    other = twin(tmp_path, "11111111-0000-4000-8000-000000000000", [])
    assert rules_of(verified(whole[2], other)) == {"another ledger"}
    with ledger.opened(told) as opened:
        named, end = opened.ledger_id, opened.head.position
    (tmp_path / "b").mkdir()
    notes = [f'{{"kind":"note","at":"2024-01-01","block":"Hill","text":"{n}"}}' for n in range(end)]
    setting = '{"kind":"block","at":"2000-01-01","name":"Hill","plantings":[{"variety":"Syrah"}]}'
    changed = twin(tmp_path / "b", named, [setting, "\n".join(notes)])
    answer = verified(whole[2], changed)
    assert rules_of(answer) == {"not in the ledger"}
    assert len(answer["findings"]) > answer["checked"]["events"] / 2


def test_a_ledger_that_grew_since_still_has_the_dossier(
    whole: tuple[Dossier, Files, bytes], told: Path, tmp_path: Path, without_pages: None
) -> None:
    del without_pages
    path = copied(told, tmp_path)
    with ledger.opened(path, write=True) as opened:
        Vintage(opened).record([b'{"kind":"note","at":"2025-07-01","lot":"C24","text":"fine"}'])
        assert opened.head.position > json.loads(whole[1][HEAD])["position"]
    assert verified(whole[2], path)["ok"]


def test_a_dossier_of_what_was_known_then_is_under_the_head_of_then(
    told: Path, wine_ledger: Path, whole: tuple[Dossier, Files, bytes], without_pages: None
) -> None:
    del without_pages
    with ledger.opened(wine_ledger) as opened:
        then = opened.head
    with ledger.opened(told) as opened:
        view = View(opened, known_on=str(then.position))
        asked = Asked("A", until=view.until)
        made = parcel.told(report.dossier(view, "A"), asked)
        files = {one.name: one.content for one in parcel.parcel(view, made, asked)}
    assert json.loads(files[HEAD])["root"] == then.root
    content = carrying(files, whole[2], listed=False)
    assert verified(content, told)["findings"] == verified(content, wine_ledger)["findings"] == []


# ---- the commands


def test_the_commands_write_and_verify(cellar: Run) -> None:
    made = cellar("--json", "dossier", "C24", "-o", "c.pdf")
    assert made.code == 0
    answer = cellar("verify", "--dossier", "c.pdf", "--json")
    assert answer.code == 0, answer.err
    assert answer.json.keys() == {"ok", "checked", "findings"}
    assert answer.json["checked"]["pages"] == made.json["pages"]
    alone = cellar("--ledger", "nowhere.duckdb", "verify", "--dossier", "c.pdf")
    assert alone.code == 0
    assert alone.out.startswith("All is well.\n")
    assert "No ledger was at hand" in alone.out
    assert not Path("nowhere.duckdb").exists()


def test_a_changed_dossier_ends_with_no(cellar: Run) -> None:
    cellar("dossier", "C", "-o", "c.pdf", "--for", "auditor")
    content = Path("c.pdf").read_bytes()
    with pikepdf.open(io.BytesIO(content)) as document:
        files = {name: one.get_file().read_bytes() for name, one in document.attachments.items()}
    Path("c.pdf").write_bytes(carrying({**files, HEAD: b"{}"}, content))
    answer = cellar("verify", "--dossier", "c.pdf")
    assert answer.code == 1
    assert answer.out.startswith("This dossier does not follow from its evidence.\n")
    assert HEAD in answer.err


def test_another_ledger_is_said_to_be_that(cellar: Run, tmp_path: Path) -> None:
    assert cellar("dossier", "C", "-o", "c.pdf").code == 0
    made = cellar("--ledger", "other.duckdb", "init", "--premises", "X", "--timezone", "UTC")
    assert made.code == 0
    answer = cellar("--ledger", "other.duckdb", "verify", "--dossier", "c.pdf")
    assert answer.code == 1
    assert answer.out.startswith("This dossier follows from its evidence; the ledger at hand")
    content = (tmp_path / "c.pdf").read_bytes()
    (tmp_path / "c.pdf").write_bytes(content + b"\n")
    answer = cellar("verify", "--dossier", "c.pdf")
    assert answer.code == 1
    assert answer.out.startswith("The figures follow from their evidence; the pages are not")


def test_without_evidence_the_page_says_so_and_there_is_nothing_to_verify(cellar: Run) -> None:
    cellar("dossier", "C", "-o", "c.html")
    says = " ".join(Path("c.html").read_text(encoding="utf-8").split())
    assert "are not attached here" in says
    assert "Attached to this file" not in says
    cellar("dossier", "C", "-o", "c.pdf", "--no-evidence")
    answer = cellar("verify", "--dossier", "c.pdf")
    assert answer.code == 2
    assert "no evidence is attached" in answer.said


def test_what_is_no_dossier_is_refused(cellar: Run, tmp_path: Path) -> None:
    (tmp_path / "a.pdf").write_bytes(b"%PDF-1.7 nothing more")
    assert cellar("verify", "--dossier", "a.pdf").code == 2
    assert cellar("verify", "--dossier", "absent.pdf").code == 2
    assert cellar("dossier", "C", "-o", "c.pdf", "--for", "nobody").code == 2
    with pytest.raises(Refused):
        attesting.verify(b"", "x", None)
