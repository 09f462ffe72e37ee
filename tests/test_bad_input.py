"""Bad input of every sort: exit 2, the line, what was seen and wanted, nothing recorded."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.test_cli import Run, cellar, run

__all__ = ["cellar", "run"]

BAD = [
    ("not json", "no JSON"),
    ("[1]", "one event"),
    ('{"kind":"note","kind":"note"}', "stands twice"),
    ('{"kind":"note","at":"2025-01-01","lot":"A","text":NaN}', "NaN"),
    ('{"kind":"reading","at":"2025-01-01","lot":"A","brix":24.5}', "24.5"),
    ('{"kind":"note","at":"2025-01-01","lot":"A","text":"\\ud800"}', "surrogate"),
    ('{"at":"2025-01-01"}', "no `kind`"),
    ('{"kind":"racking","at":"2025-01-01"}', "unknown kind"),
    ('{"kind":"note","lot":"A","text":"x"}', "needs `at`"),
    ('{"kind":"note","at":"2025-02-30","lot":"A","text":"x"}', "not in the calendar"),
    ('{"kind":"note","at":"1899-12-31","lot":"A","text":"x"}', "before 1900"),
    ('{"kind":"note","at":"2125-01-01","lot":"A","text":"x"}', "more than a day after"),
    ('{"kind":"note","at":"2025-03-09T02:30","lot":"A","text":"x"}', "skips"),
    ('{"kind":"note","at":"2025-01-01","lot":"A","txt":"x"}', "did you mean `text`"),
    ('{"kind":"note","at":"2025-01-01","lot":" A","text":"x"}', "lot"),
    ('{"kind":"note","at":"2025-01-01","lot":"A","id":"x","text":"x"}', "id"),
    ('{"kind":"note","at":"2025-01-01","text":"x"}', "exactly one of"),
    ('{"kind":"loss","at":"2025-01-01","lot":"A","volume":5,"reason":"spill"}', "no unit"),
    ('{"kind":"loss","at":"2025-01-01","lot":"A","volume":"5","reason":"spill"}', "quantity"),
    (
        '{"kind":"loss","at":"2025-01-01","lot":"A","volume":"5 gl","reason":"spill"}',
        "unknown unit",
    ),
    ('{"kind":"loss","at":"2025-01-01","lot":"A","volume":"0 L","reason":"spill"}', "zero"),
    ('{"kind":"loss","at":"2025-01-01","lot":"A","volume":"-5 L","reason":"spill"}', "quantity"),
    ('{"kind":"loss","at":"2025-01-01","lot":"A","volume":"5e1 L","reason":"spill"}', "quantity"),
    (
        '{"kind":"loss","at":"2025-01-01","lot":"A","volume":"0.0000000000001 L","reason":"spill"}',
        "quantity",
    ),
    (
        '{"kind":"loss","at":"2025-01-01","lot":"A","volume":"0.0000000001 mL","reason":"spill"}',
        "decimals",
    ),
    (
        '{"kind":"loss","at":"2025-01-01","lot":"A","volume":"5 kg","reason":"spill"}',
        "wanted a volume",
    ),
    ('{"kind":"loss","at":"2025-01-01","lot":"A","volume":"5 L","reason":"gone"}', "wanted"),
    (
        '{"kind":"loss","at":"2025-01-01","lot":"A","volume":"5 L","all":true,"reason":"spill"}',
        "more than one quantity",
    ),
    ('{"kind":"loss","at":"2025-01-01","lot":"A","volume":"5000 L","reason":"spill"}', "holds"),
    (
        '{"kind":"loss","at":"2025-01-01","lot":"A","vessel":"T2","volume":"5 L","reason":"spill"}',
        "not in `T2`",
    ),
    ('{"kind":"loss","at":"2025-01-01","lot":"Q","volume":"5 L","reason":"spill"}', "no lot `Q`"),
    (
        '{"kind":"rack","at":"2025-01-01","from":{"lot":"A"},"to":{"lot":"A","vessel":"T9","volume":"1 L"}}',
        "no quantity",
    ),
    (
        '{"kind":"rack","at":"2025-01-01","from":{"lot":"A","all":true},"to":{"lot":"A","vessel":"T9"}}',
        "the rest",
    ),
    (
        '{"kind":"rack","at":"2025-01-01","from":{"lot":"A","volume":"5 L"},"to":{"lot":"A","vessel":"T2","volume":"5 L"}}',
        "still holds",
    ),
    (
        '{"kind":"rack","at":"2025-01-01","from":{"lot":"A","volume":"5 L"},"to":{"lot":"A","vessel":"T9","volume":"6 L"}}',
        "filled from",
    ),
    (
        '{"kind":"rack","at":"2025-01-01","from":{"lot":"A","volume":"5 L"},"to":{"lot":"A","volume":"5 L"}}',
        "lies in vessels",
    ),
    (
        '{"kind":"rack","at":"2025-01-01","from":{"lot":"A","volume":"5 L"},"to":{"lot":"X","mass":"5 kg"}}',
        "mass",
    ),
    (
        '{"kind":"rack","at":"2025-01-01","from":[{"lot":"A","all":true},{"lot":"A","volume":"1 L"}],"to":{"lot":"X","volume":"5 L"}}',
        "drawn twice",
    ),
    (
        '{"kind":"rack","at":"2025-01-01","from":{"lot":"A","volume":"5 L"},"to":{"lot":"A","vessel":"T9","volume":"5 L","full":true}}',
        "no field",
    ),
    (
        '{"kind":"top","at":"2025-01-01","from":{"lot":"A","volume":"5 L"},"to":{"lot":"B","vessel":"T2","volume":"5 L","full":true}}',
        "capacity",
    ),
    (
        '{"kind":"crush","at":"2025-01-01","from":{"lot":"A","volume":"5 L"},"to":{"lot":"X","volume":"5 L"}}',
        "by mass",
    ),
    (
        '{"kind":"pick","at":"2025-01-01","block":"Nowhere","lot":"P","mass":"1 t"}',
        "not registered",
    ),
    ('{"kind":"pick","at":"2025-01-01","block":"Hill","lot":"A","mass":"1 t"}', "still holds"),
    ('{"kind":"pick","at":"2025-01-01","block":"Hill","lot":"P","mass":"1 L"}', "wanted a mass"),
    ('{"kind":"receive","at":"2025-01-01","lot":"P","bottles":5}', "format"),
    (
        '{"kind":"receive","at":"2025-01-01","lot":"P","volume":"5 L","state":"grapes"}',
        "received by mass",
    ),
    (
        '{"kind":"receive","at":"2025-01-01","lot":"P","volume":"5 L","composition":[{"share":"0.5"},{"share":"0.4"}]}',
        "exactly 1",
    ),
    (
        '{"kind":"receive","at":"2025-01-01","lot":"P","volume":"5 L","supplier":"Nobody"}',
        "not registered",
    ),
    ('{"kind":"gauge","at":"2025-01-01","lot":"A","volume":"5000 L"}', "the book says"),
    ('{"kind":"treat","at":"2026-01-01","lot":"C24","treatment":"fining"}', "held by bottles"),
    (
        '{"kind":"treat","at":"2025-01-01","lot":"A","treatment":"water","material":"water","adds":"5 L"}',
        "role",
    ),
    ('{"kind":"ship","at":"2026-01-01","lot":"C24","bottles":5,"to":"Shop"}', "removal"),
    (
        '{"kind":"ship","at":"2026-01-01","lot":"C24","bottles":5,"removal":"taxpaid"}',
        "nobody is named",
    ),
    (
        '{"kind":"ship","at":"2026-01-01","lot":"C24","bottles":5000,"removal":"taxpaid","to":"Shop"}',
        "drawn",
    ),
    ('{"kind":"return","at":"2026-01-01","lot":"C24","bottles":5}', "was shipped"),
    (
        '{"kind":"pack","at":"2026-01-01","from":{"lot":"A","volume":"5 L"},"to":{"lot":"X","bottles":5}}',
        "bottles to bottles",
    ),
    (
        '{"kind":"clear","at":"2026-01-01","hold":"01890000-0000-7000-8000-000000000000","reason":"x"}',
        "no hold",
    ),
    (
        '{"kind":"correct","at":"2026-01-01","corrects":"01890000-0000-7000-8000-000000000000","reason":"x","replacement":null}',
        "no event has the id",
    ),
    ('{"kind":"release","at":"2026-01-01","lot":"A"}', "no bottled lot"),
    (
        '{"kind":"block","at":"2026-01-01","name":"N","plantings":[{"variety":"a","share":"1/3"},{"variety":"b","share":"1/3"}]}',
        "exactly 1",
    ),
    (
        '{"kind":"place","at":"2026-01-01","name":"Washington","within":["Cold Creek"]}',
        "within itself",
    ),
    ('{"kind":"lot","at":"2026-01-01","name":"A","of":[{"lot":"A"}]}', "already bears"),
    ('{"kind":"label","at":"2026-01-01","name":"L","rest":"soon"}', "rest"),
]


@pytest.mark.parametrize(("line", "says"), BAD, ids=[f"{n:02d}" for n in range(len(BAD))])
def test_a_bad_line_is_refused_and_told(cellar: Run, tmp_path: Path, line: str, says: str) -> None:
    journal = tmp_path / "cellar.journal.jsonl"
    before = journal.read_bytes()
    (tmp_path / "bad.jsonl").write_text(
        '{"kind":"note","at":"2025-01-01","lot":"A","text":"a good one"}\n' + line + "\n",
        encoding="utf-8",
    )
    answer = cellar("load", "bad.jsonl")
    assert answer.code == 2, answer.err
    told = " ".join(answer.err.split())
    assert "bad.jsonl:2" in told
    assert says in told
    assert "nothing was recorded" in told
    assert journal.read_bytes() == before


def test_all_mistakes_of_a_file_are_told_at_once(cellar: Run, tmp_path: Path) -> None:
    (tmp_path / "bad.jsonl").write_text("\n".join(line for line, _ in BAD), encoding="utf-8")
    answer = cellar("load", "bad.jsonl")
    told = "".join(answer.err.split())
    missing = [n for n in range(1, len(BAD) + 1) if f"bad.jsonl:{n}:" not in told]
    assert missing == []
