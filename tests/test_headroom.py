"""How much could be added: exact at the grid, and the same that a blend gives when it is made.

The oracle makes the blend: it puts the added wine among the sources with its share and asks the
plain question of the result.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ampelog import rules
from ampelog.claims import Verdict, judge
from ampelog.conditions import NEVER, All, Either, Holds, Least, Line, decide, total
from ampelog.headroom import Room, room
from ampelog.law import Pack
from ampelog.quantities import ONE, text
from ampelog.scope import Label
from ampelog.shares import REFUSED, SUPPORTED, UNDETERMINED, Fill
from tests.wines import CS, ME, MERLOT, PLACES, QB, TODAY, US, Registered, Source, Wine, part, wine

GRID = 10**12
PLACE = Registered({"Ward": "region", "Quail Bench": "ava", "Land": "country"})
UNKNOWN = Source(Fraction(1), "unknown")


def blended(base: Wine, volume: int, added: tuple[Source, ...], more: int) -> Wine:
    """The wine with so much of another in it."""
    whole = volume + more
    kept = [replace(leaf, share=leaf.share * volume / whole) for leaf in base.leaves]
    come = [replace(leaf, share=leaf.share * more / whole) for leaf in added]
    return Wine(tuple(kept + (come if more else [])))


def same(rows: list[Verdict], like: Verdict, pack: Pack) -> Verdict:
    """The row on the same statement; of permissions whichever carries it."""
    rule = {each.id: each for each in pack.rule}
    permits = rule[like.rule or ""].permits
    (found,) = [
        row
        for row in rows
        if (row.claim, row.statement) == (like.claim, like.statement)
        and row.rule in rule
        and (rule[row.rule].permits if permits else row.rule == like.rule)
        and row.required is not None
    ]
    return found


GRAPES = st.sampled_from([None, CS, ME, "Syrah", "Shiraz", "Chardonnay"])
ROLES = st.sampled_from([None, None, None, "sweetening", "culture", "fortifying"])
KILOGRAMS = st.sampled_from([Fraction(1), Fraction(6, 5), Fraction(23, 13), Fraction(2)])


@st.composite
def wines(draw: st.DrawFn) -> tuple[Source, ...]:
    weights = draw(st.lists(st.integers(1, 60), min_size=1, max_size=5))
    weighed = draw(st.booleans())  # what the grapes weighed is known of a wine, or is not
    return tuple(
        Source(
            Fraction(weight, sum(weights)),
            f"event-{number}",
            draw(GRAPES),
            draw(st.sampled_from([None, 2023, 2024])),
            draw(st.sampled_from([None, (), ("Ward", "Land"), (QB, "Land")])),
            role=draw(ROLES),
            weight=draw(KILOGRAMS) if weighed else None,
        )
        for number, weight in enumerate(weights)
    )


LABELS: list[tuple[str, dict[str, Any]]] = [
    ("us", {"variety": [ME], "vintage": 2024, "appellation": QB}),
    ("us", {"variety": [CS, ME], "shares": {CS: "60", ME: "40"}, "appellation": QB}),
    ("us", {"text": [{"says": "mostly Merlot", "where": {"variety": ME}, "at_least": "1/3"}]}),
    ("eu", {"variety": [ME], "vintage": 2024}),
    ("au", {"variety": ["Syrah"]}),
    ("au", {"variety": [CS, ME]}),
    ("za", {"appellation": "Ward", "vintage": 2024}),
    ("ca-on", {"variety": [CS, ME]}),
    ("ca-on", {"variety": ["Cabernet"]}),
]


@settings(max_examples=150, deadline=None)
@given(
    st.sampled_from(LABELS),
    wines(),
    st.one_of(st.none(), wines()),
    st.integers(1, 5000).map(lambda litres: litres * ONE // 7),
    st.lists(st.fractions(0, 1), min_size=3, max_size=3),
)
def test_room_is_what_the_blend_gives(
    case: tuple[str, dict[str, Any]],
    base: tuple[Source, ...],
    other: tuple[Source, ...] | None,
    volume: int,
    between: list[Fraction],
) -> None:
    pack = rules.pack(case[0])
    adding = None if other is None else Fill(None, Wine(other))
    label = Label(approvals=("Wine of Origin certification",), adding=adding)
    fill = Fill(None, Wine(base), volume)

    def rows_at(more: int) -> list[Verdict]:
        mixed = blended(Wine(base), volume, other or (UNKNOWN,), more)
        return judge(case[1], [Fill(None, mixed, volume + more)], [pack], PLACE, TODAY, label)

    def stands(like: Verdict, more: int) -> bool:
        return same(rows_at(more), like, pack).verdict == SUPPORTED

    for row in judge(case[1], [fill], [pack], PLACE, TODAY, label):
        if row.required is None:
            continue
        found = room(row, fill, adding, "the other")
        if row.verdict == SUPPORTED and found.ends is not None:
            assert stands(row, found.ends)
            assert not stands(row, found.ends + 1)
            assert all(stands(row, int(found.ends * each)) for each in between)
        elif row.verdict == SUPPORTED:
            assert all(stands(row, more) for more in (1, volume, 10**9 * volume))
        elif adding is not None and row.verdict == row.reckoned:
            assert found.ends == 0
            if found.begins is None:
                assert not any(stands(row, more) for more in (volume // 3, volume, 10**9 * volume))
            else:
                assert stands(row, found.begins)
                assert not stands(row, found.begins - 1)
                assert not any(stands(row, int((found.begins - 1) * each)) for each in between)


def test_heavier_grapes_end_a_year_sooner_than_their_wine_does() -> None:
    # Delegated Regulation (EU) 2019/33, art. 49: 85 % of the grapes; the wine alone allows 1/17 more
    base = wine(
        {"share": "0.95", "vintage": 2024, "weight": "1"},
        {"share": "0.05", "vintage": 2023, "weight": "1"},
    )
    fill = Fill(None, base, 17 * ONE)

    def ends(**other: Any) -> str | None:
        adding = Fill(None, wine({"share": "1", "vintage": 2023, **other}))
        label = Label(adding=adding)
        rows = judge({"vintage": 2024}, [fill], [rules.pack("eu")], PLACE, TODAY, label)
        (row,) = [row for row in rows if row.rule == "eu-vintage"]
        assert row.verdict == SUPPORTED
        return room(row, fill, adding).as_json()["headroom_l"]

    assert ends() == "2"  # 16.15 of 19, by volume: what the grapes weighed is not known
    assert ends(weight="1") == "2"
    assert ends(weight="2") == "1"
    assert ends(weight="0.5") == "2"


def room_of(rule: str, label: dict[str, Any], of_wine: Wine, litres: str, **more: Any) -> Room:
    fill = Fill(None, of_wine, int(Fraction(litres) * GRID))
    rows = judge(label, [fill], [US], PLACES, TODAY)
    (row,) = [row for row in rows if row.rule == rule]
    return room(row, fill, more.get("adding"), "X")


def test_a_whole_wine_of_a_hundred_litres_takes_a_third_of_itself() -> None:
    found = room_of("us-variety-one", MERLOT, wine(part("1", ME, QB)), "100")
    assert text(found.ends or 0) == "33.333333333333"
    # on the grid itself: 80 litres of 100 stand at 6 2/3 more, 90 of 100 at 20 exactly
    exact = wine(part("0.9", ME, QB), part("0.1", CS, QB), blur=Fraction(1, 2**250))
    assert room_of("us-variety-one", MERLOT, exact, "100").ends == 20 * GRID


def test_on_its_threshold_nothing_can_be_added() -> None:
    edge = wine(part("0.75", ME, QB), part("0.25", CS, QB), blur=Fraction(1, 2**250))
    assert room_of("us-variety-one", MERLOT, edge, "498.75").ends == 0


def test_what_would_earn_a_statement_is_told() -> None:
    poor = wine(part("0.7", ME, QB), part("0.3", CS, QB))
    found = room_of("us-variety-one", MERLOT, poor, "100")
    assert (found.ends, found.begins) == (0, 20 * GRID)
    assert found.of == "wine that is Merlot grown in Quail Bench"
    other = Fill(None, wine(part("1", ME)))  # Merlot of nowhere in particular
    found = room_of("us-variety-one", MERLOT, poor, "100", adding=other)
    assert (found.begins, found.of) == (None, None)
    better = Fill(None, wine(part("0.8", ME, QB), part("0.2", CS, QB)))
    found = room_of("us-variety-one", MERLOT, poor, "100", adding=better)
    assert (found.begins, found.of) == (100 * GRID, "`X`")


def test_wine_of_the_same_kind_ends_nothing() -> None:
    same_again = Fill(None, wine(part("1", ME, QB)))
    found = room_of("us-variety-one", MERLOT, wine(part("1", ME, QB)), "100", adding=same_again)
    assert found.ends is None


def test_a_weak_rule_has_no_room_and_tells_its_figures() -> None:
    fill = Fill(None, wine(part("0.9", ME), part("0.1", CS)), 100 * GRID)
    (row,) = [
        row
        for row in judge({"variety": [ME]}, [fill], [rules.pack("ar")], PLACES, TODAY)
        if row.rule == "ar-variety-one"
    ]
    assert row.verdict == UNDETERMINED
    found = room(row, fill, None)
    assert found.ends == 0
    assert text(found.figures or 0) == "5.882352941176"  # 90 / 0.85 - 100


# --- conditions by themselves ---


def is_merlot(leaf: Any) -> bool | None:
    return None if leaf.variety is None else leaf.variety == ME


def always(_: Any) -> bool:
    return True


def test_conditions_join_and_part() -> None:
    fill = Fill(None, wine(part("0.6", ME), part("0.4", CS)), 10 * GRID)
    half, most = (total(is_merlot, always, Fraction(share)) for share in ("0.5", "0.8"))
    assert decide(half, fill) == SUPPORTED
    assert decide(most, fill) == REFUSED
    assert decide(All((half, most)), fill) == REFUSED
    assert decide(Either((half, most)), fill) == SUPPORTED
    assert decide(NEVER, fill) == REFUSED
    assert decide(Either((NEVER, half)), fill) == SUPPORTED
    assert Line(fill).ends(Either((half, most))) == 2 * GRID
    assert Line(fill).ends(All((half,))) == 2 * GRID


def test_an_edge_belongs_to_not_less_than_and_not_to_more_than() -> None:
    fill = Fill(None, wine(part("0.5", ME), part("0.5", CS)), GRID)

    def weigh(leaf: Any) -> tuple[Fraction, Fraction]:
        share = Fraction(1, 2) if leaf.variety == ME else Fraction(-1, 2)
        return share, share

    assert decide(Least(weigh), fill) == SUPPORTED
    assert decide(Least(weigh, strict=True), fill) == REFUSED


@pytest.mark.parametrize(
    ("here", "there", "ends"),
    [(True, True, None), (True, False, 0), (True, None, 0)],
)
def test_what_is_so_of_a_wine_is_so_of_a_mixture_of_such(
    here: bool, there: bool | None, ends: int | None
) -> None:
    base, other = Fill("a", wine(part("1", ME))), Fill("b", wine(part("1", CS)))
    condition = Holds(lambda fill: here if fill.event == "a" else there)
    assert Line(base, other).ends(condition) == ends
    assert Line(base).ends(condition) == 0
    alone = Holds(condition.test, alone=True)
    assert Line(base, other).ends(alone) == 0


def test_a_statement_that_holds_twice_ends_where_it_first_ends() -> None:
    """Below its cap sweetening leaves the count, above it counts: what is added takes the wine
    past the cap and back."""
    parts = (Source(Fraction(84, 100), "a", ME), Source(Fraction(16, 100), "b", CS))
    fill = Fill(None, Wine(parts), 100 * GRID)
    sweet = Fill(None, Wine((Source(Fraction(1), "c", ME, role="sweetening"),)))
    pack = rules.pack("au")
    label = Label(adding=sweet)
    rows = judge({"variety": [ME]}, [fill], [pack], PLACES, TODAY, label)
    (row,) = [each for each in rows if each.rule == "au-variety-one"]
    assert row.verdict == REFUSED  # 84 of 100; the sweetening counts only beyond 5 % of the wine
    found = room(row, fill, sweet, "sweet")
    assert found.begins is not None
    # from where it is over 5 % it counts as Merlot: 84 + x of 100 + x is 85 % at 6 2/3
    assert text(found.begins) == "6.666666666667"
