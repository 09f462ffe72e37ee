"""Whether what is to be filled finds room, looked at before anything moves."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from ampelog.cellar import Cellar
from ampelog.endpoints import CannotHave, place, said, where_it_is
from ampelog.movement import Draw, Fill
from ampelog.quantities import text
from ampelog.state import BOTTLES, VOLUME, Lot
from ampelog.steps import Step


def may_arrive(cellar: Cellar, step: Step, out: Sequence[Draw], found: Sequence[Fill]) -> None:
    """Refuse what could not arrive once the draws have left; nothing has moved yet."""
    if len(found) == 1 and _joins(cellar, found[0]):
        return
    _check_alike(found)
    _check_full_alone(found)
    leaving: dict[tuple[str, str | None], int] = {}
    for draw in out:
        key = (draw.lot.name, draw.vessel)
        leaving[key] = leaving.get(key, 0) + draw.amount

    def staying(lot: Lot) -> dict[str | None, int]:
        left = {v: h.amount - leaving.get((lot.name, v), 0) for v, h in lot.holdings.items()}
        return {vessel: amount for vessel, amount in left.items() if amount}

    entered: dict[str, str] = {}
    for fill in found:
        lot = cellar.lots.get(fill.lot)
        if lot is not None:
            _check_sort(lot, fill, staying)
        if lot is not None and _only_adds(lot, fill, found):
            continue
        for vessel, amount in zip(fill.vessels, fill.amounts, strict=True):
            if vessel is None:
                _check_no_vessel(fill, [] if lot is None else list(staying(lot)))
            elif fill.sort == VOLUME:
                if lot is None or lot.sort != VOLUME or vessel not in lot.holdings:
                    other = cellar.vessels.get(vessel)
                    there = staying(cellar.lots[other]) if other and other != fill.lot else {}
                    if other and vessel in there:
                        how = f"still holds {said(there[vessel], VOLUME)} of"
                        raise _two_lots(vessel, other, fill.lot, how)
                if len(found) > 1 and entered.setdefault(vessel, fill.lot) != fill.lot:
                    raise _two_lots(vessel, entered[vessel], fill.lot, "is filled with")
            if fill.full:
                cellar.check_full(step, fill.lot, vessel, amount)


def _check_alike(found: Sequence[Fill]) -> None:
    """A lot is filled in one sort by one event, and with bottles of one format."""
    filled: dict[str, Fill] = {}
    for fill in found:
        first = filled.setdefault(fill.lot, fill)
        if first.sort != fill.sort:
            raise CannotHave(
                "two sorts",
                f"`{fill.lot}` is filled by {first.sort} and by {fill.sort}",
                "give one of the two a lot name of its own",
                fill.lot,
            )
        if first.format != fill.format:
            raise _two_formats(fill, first.format)


def _check_full_alone(found: Sequence[Fill]) -> None:
    """What is topped full is filled once by an event: else the order would decide."""
    filled: set[str | None] = set()
    for fill in sorted(found, key=lambda one: not one.full):
        twice = filled.intersection(fill.vessels)
        if twice:
            vessel = min(map(str, twice))
            raise CannotHave(
                "full and more",
                f"`{vessel}` is topped full and filled once more by the same event",
                "name it once, with all that went in",
                fill.lot,
            )
        if fill.full:
            filled.update(fill.vessels)


def _joins(cellar: Cellar, fill: Fill) -> bool:
    """Whether a fill comes to vessels that were filled together before: most toppings do, and
    need no look."""
    lot = cellar.lots.get(fill.lot)
    if lot is None or fill.full or lot.sort != fill.sort or _other_format(lot, fill):
        return False
    return lot.together(fill.vessels) is not None


def _other_format(lot: Lot, fill: Fill) -> bool:
    """Whether bottles of another format come to those that a lot holds."""
    return lot.sort == fill.sort == BOTTLES and lot.format != fill.format


def _two_formats(fill: Fill, format_: int) -> CannotHave:
    return CannotHave(
        "two formats",
        f"`{fill.lot}` has bottles of {text(format_)} L; {text(fill.format)} L were filled",
        "a lot has bottles of one format: give these a lot of their own",
        fill.lot,
    )


def _only_adds(lot: Lot, fill: Fill, found: Sequence[Fill]) -> bool:
    """Whether a fill only adds to what is there already."""
    if len(found) > 1 or fill.full or lot.sort != fill.sort:
        return False
    return None not in fill.vessels and lot.holdings.keys() >= set(fill.vessels)


def _check_sort(lot: Lot, fill: Fill, staying: Callable[[Lot], dict[str | None, int]]) -> None:
    """What stays of a lot is of the sort, and of the format, that comes to it."""
    if _other_format(lot, fill) and staying(lot):
        raise _two_formats(fill, lot.format)
    if lot.empty or lot.sort == fill.sort or not staying(lot):
        return
    raise CannotHave(
        "two sorts",
        f"`{lot.name}` still holds {said(sum(staying(lot).values()), lot.sort)}; "
        f"{where_it_is(lot)}; it cannot also be filled by {fill.sort}",
        "give the new body a lot name of its own, or record what became of the old",
        lot.name,
    )


def _check_no_vessel(fill: Fill, staying: list[str | None]) -> None:
    if any(vessel is not None for vessel in staying):
        shown = ", ".join(place(vessel) for vessel in staying[:6] if vessel is not None)
        raise CannotHave(
            "which vessel",
            f"`{fill.lot}` lies in vessels ({shown}); a fill without a vessel was named",
            "name the vessel that was filled",
            fill.lot,
        )


def _two_lots(vessel: str, other: str, lot: str, how: str) -> CannotHave:
    return CannotHave(
        "two lots in one vessel",
        f"`{vessel}` {how} `{other}`; `{lot}` was filled in",
        f"draw `{other}` in `from` as well (it mixes), record its loss, or gauge it empty",
        lot,
    )
