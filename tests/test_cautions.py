"""Cautions: every topic has one, none is left out in silence, and who decides stands at the end."""

from __future__ import annotations

import pytest

from ampelog.cautions import (
    CARBON_DIOXIDE,
    CAUTIONS,
    CONFINED_SPACE,
    DECIDES,
    DRY_ICE,
    INERT_GAS,
    METABISULFITE,
    SULFUR_DIOXIDE,
    lines,
)

DANGERS = {CARBON_DIOXIDE, INERT_GAS, DRY_ICE, SULFUR_DIOXIDE, METABISULFITE, CONFINED_SPACE}


def test_what_can_kill_in_a_cellar_has_a_caution() -> None:
    assert set(CAUTIONS) == DANGERS
    with pytest.raises(TypeError):
        CAUTIONS["new"] = CAUTIONS[DRY_ICE]  # type: ignore[index]  # it is frozen, and that is shown


def test_lines_come_once_in_a_fixed_order_with_who_decides_at_the_end() -> None:
    found = lines([CONFINED_SPACE, CARBON_DIOXIDE, CONFINED_SPACE])
    assert found == (CAUTIONS[CARBON_DIOXIDE].says, CAUTIONS[CONFINED_SPACE].says, DECIDES)
    assert "Local codes" in DECIDES
    assert lines([]) == ()


def test_a_topic_without_a_caution_is_a_mistake() -> None:
    with pytest.raises(KeyError, match="ozone"):
        lines(["ozone"])


@pytest.mark.parametrize("topic", sorted(DANGERS))
def test_the_first_sentence_says_what_to_do_and_figures_have_a_source(topic: str) -> None:
    one = CAUTIONS[topic]
    assert one.says.startswith(one.first)
    assert "!" not in one.says
    if any(sign.isdigit() for sign in one.says):
        assert "29 CFR" in one.source
