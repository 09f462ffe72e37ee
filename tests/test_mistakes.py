"""What is wrong with an event's form is told in the words of whoever wrote it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ampelog import lines, mistakes, moments
from ampelog.events import KINDS
from tests.conftest import NOW, ZONE

AT = "2025-02-01"


def told(event: dict[str, Any]) -> list[tuple[str, str]]:
    """What is said of an event's form, and the remedy."""
    found = lines.entry(event, "f:1", ZONE, NOW)
    return [] if isinstance(found, lines.Entry) else [(one.says, one.hint) for one in found]


def rack(**fields: Any) -> dict[str, Any]:
    ends = {"from": {"lot": "A", "all": True}, "to": {"lot": "A", "vessel": "T", "volume": "1 L"}}
    return {"kind": "rack", "at": AT, **ends, **fields}


@pytest.mark.parametrize(
    ("event", "says"),
    [
        (rack(**{"from": "x"}), '`from` is "x"; wanted a list'),
        (rack(to=[]), "`to` is []; wanted at least 1 of them"),
        (rack(to=["x"]), '`to` is "x"; wanted an object in braces'),
        (rack(to=[{"lot": "A", "volume": "1 L"}, {"lot": 7, "volume": "1 L"}]),
         '`to.2.lot` is 7; wanted a text, as in "7"'),
        (rack(at=7), '`at` is 7; wanted a text, as in "7"'),
        (rack(estimated="yes"), '`estimated` is "yes"; wanted true or false'),
        (rack(papers=[{}]), "`rack` needs `papers.title`"),
        ({"kind": "bottle", "at": AT, "from": {"lot": "A", "all": True}, "lot": "B", "bottles": "12"},
         '`bottles` is "12"; wanted a whole number'),
        ({"kind": "ship", "at": AT, "lot": "A", "volume": "5"},
         "`volume`: `5` is no quantity; wanted a plain number, one space and a unit, as in "
         "`60 gal` (units: L, hL, mL, gal, kg, g, t, ton, lb)"),
        ({"kind": "label", "at": AT, "name": "L", "rest": "soon"},
         '`rest` is "soon"; wanted a rest, as in `180 days` or `6 months` or a date like '
         "`2024-10-03`"),
        ({"kind": "label", "at": AT, "name": "L", "rest": 90},
         '`rest` is 90; wanted a text, as in "90"'),
        ({"kind": "label", "at": AT, "name": "L", "statements": {"appellation": 7}},
         '`statements.appellation` is 7; wanted a text, as in "7" or a list'),
        ({"kind": "label", "at": AT, "name": "L", "statements": {"vintage": 1}},
         "`statements.vintage` is 1; wanted 1800 or more"),
        ({"kind": "vessel", "at": AT, "name": "V", "retired": "yes"},
         '`retired` is "yes"; wanted a date like `2024-10-03`'),
        ({"kind": "ferment", "at": AT, "lot": "A", "culture": "alcoholic", "stage": "start",
          "regime": {"int": [1]}}, "`regime` is [1]; wanted a text or a whole number"),
        ({"kind": "loss", "at": AT, "lot": "x" * 65, "all": True, "reason": "spill"},
         f'`lot` is "{"x" * 59}…; wanted at most 64 characters'),
    ],
)  # fmt: skip
def test_a_form_is_told_as_seen_and_wanted(event: dict[str, Any], says: str) -> None:
    assert [one for one, _ in told(event)] == [says]


@pytest.mark.parametrize(
    ("event", "says", "hint"),
    [
        (rack(too={}), "`rack` has no field `too`", "did you mean `to`?"),
        (rack(to={"lot": "A", "volum": "1 L"}), "`rack` has no field `to.volum`", "`volume`?"),
        (rack(zzz=1), "`rack` has no field `zzz`", "its fields: kind, at, until, id"),
        (rack(**{"[x": 1}), "`rack` has no field `[x`", "its fields: "),
        (rack(int=1), "`rack` has no field `int`", "its fields: "),
        (rack(**{"": 1}), "`rack` has no field ``", "its fields: "),
        ({"kind": "rack", "at": AT}, "`rack` needs `from`", "add `from`"),
    ],
)
def test_a_field_that_is_unknown_or_missing_is_named_with_a_remedy(
    event: dict[str, Any], says: str, hint: str
) -> None:
    found = [remedy for one, remedy in told(event) if one == says]
    assert len(found) == 1, told(event)
    assert hint in found[0]


def patterns(annotation: Any, field: str, seen: set[Any]) -> Iterator[tuple[str, str]]:
    """Every pattern that a type holds, with the field it stands under."""
    for one in (*get_args(annotation), *getattr(annotation, "metadata", ())):
        if getattr(one, "pattern", None) is not None:
            yield field, str(one.pattern)
        yield from patterns(one, field, seen)
    if hasattr(annotation, "model_fields") and annotation not in seen:
        seen.add(annotation)
        for name, inner in annotation.model_fields.items():
            named = inner.alias or name
            for one in inner.metadata:
                if getattr(one, "pattern", None) is not None:
                    yield named, str(one.pattern)
            yield from patterns(inner.annotation, named, seen)


def test_every_pattern_has_its_words() -> None:
    found = {one for model in KINDS.values() for one in patterns(model, "", set())}
    assert len(found) > 10
    bare = {(field, text) for field, text in found if text not in mistakes.PATTERNS}
    assert {field for field, _ in bare} == mistakes.FORMS.keys()


FIELD = st.sampled_from(sorted({
    (one.alias or name) for model in KINDS.values() for name, one in model.model_fields.items()
} - {"kind"})) | st.text(max_size=3)  # fmt: skip
ANY = st.recursive(
    st.none() | st.booleans() | st.integers(-9, 9) | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(FIELD, inner, max_size=3),
    max_leaves=6,
)


@given(st.sampled_from(sorted(KINDS)), st.dictionaries(FIELD, ANY, max_size=6))
def test_whatever_is_wrong_is_told_in_plain_words(kind: str, fields: dict[str, Any]) -> None:
    for says, _ in told({"at": AT, **fields, "kind": kind}):
        assert says
        for noise in ("Input should", "constrained", "function-", "should match", "instance of"):
            assert noise not in says


def test_a_time_is_asked_for_with_an_example() -> None:
    for at in ("soon", "2025-02-30", "1899-12-31"):
        ((_, hint),) = told(rack(at=at))
        assert "2024-10-03T14:20" in hint
    ((says, hint),) = told(rack(at="2025-02-02", until="2025-02-01"))
    assert (says.startswith("`until` 2025-02-01 is before"), hint.startswith("`at`")) == (
        True,
        True,
    )
    assert moments.date_of("2025-02-01").isoformat() == "2025-02-01"
