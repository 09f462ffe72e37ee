"""The blend that a trial's targets ask for: targets become goals, the solver's answer a candidate.

Statements to keep are read off a blend of all the wines that may be used, whose rows rest on
conditions (``conditions``). The answer is then tried like any candidate: a blend whose exact claims
fail is never told.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction
from typing import Any

from msgspec.structs import replace

from ampelog.blend_goals import NEVER, Aim, Every, Some, Sum, Wines, harder
from ampelog.blend_solver import Found, Near, Plan, solve
from ampelog.conditions import All, ByGrapes, Condition, Either
from ampelog.errors import Refused
from ampelog.estimate import UNITS, Draw, spans
from ampelog.evidence import Evidence, wanted
from ampelog.labelling import Labelled
from ampelog.quantities import floor_text, parse
from ampelog.questions import View
from ampelog.recipe import Candidate, Target
from ampelog.shares import SUPPORTED, Fill
from ampelog.trial import ANSWER, Trial, Tried, said
from ampelog.usable import Wine, usable
from ampelog.verdicts import Verdict

STRAINS = (Fraction(0), *(Fraction(1, 10**n) for n in (12, 10, 8, 6, 5, 4)))
"""By how much of the blend its claims are drawn tighter where the exact check disagrees."""
STEPS = (Fraction(1), Fraction(1, 2), Fraction(1, 10), Fraction(1, 100), Fraction(1, 1000))
"""Of the unit that the volume is stated in: the largest that divides it is the step."""


class Search:
    """Looks for the blend that a recipe's targets ask for."""

    def __init__(self, trial: Trial) -> None:
        assert trial.recipe.target is not None, "a search has a target"
        self.trial, self.target = trial, trial.recipe.target
        self.step = _step(self.target)
        self.left_out: list[dict[str, str]] = []
        self._readings: dict[str, dict[str, tuple[Fraction, Fraction]]] = {}
        with trial.cellar() as view:
            trial.check_into(view)
            self._asked = usable(view, self.target.use)
            self.wines = list(self._wines(view))

    @property
    def step_size(self) -> int:
        """A step in 10^-12 L."""
        return parse(self.quantity(1)).amount

    def quantity(self, count: int) -> str:
        """So many steps, as a quantity."""
        step, unit = self.step
        return f"{_plain(step * count)} {unit}"

    # What may be used

    def _wines(self, view: View) -> Iterator[Wine]:
        for wine in self._asked:
            values = {}
            for quantity in self.target.analysis:
                draws = [Draw(wine.lot, vessel, 1, wine.spirit) for vessel in wine.vessels]
                found = spans(draws, self.trial.readings(view), quantity)
                if found is None:
                    self._leave(wine, f"has no reading of {quantity} to reckon with")
                    break
                values[quantity] = found
            else:
                if self._price(wine) is None and self._priced:
                    raise Refused(f"target: the cost of `{wine.lot}` is not stated", hint=_COST)
                if wine.held < self.step_size:
                    self._leave(wine, "holds less than one step")
                    continue
                self._readings[wine.use] = values
                yield wine

    @property
    def _priced(self) -> bool:
        return self.target.aim == "cheapest" or self.target.cost_most is not None

    def _price(self, wine: Wine) -> Fraction | None:
        """What a wine costs, drawn evenly on its vessels; None where one of them has no price."""
        costs = [self.trial.cost_of(wine.lot, vessel) for vessel in wine.vessels]
        known = [cost for cost in costs if cost is not None]
        return sum(known, Fraction(0)) / len(costs) if len(known) == len(costs) else None

    def _leave(self, wine: Wine, why: str) -> None:
        self.left_out.append({"lot": wine.use, "why": why})

    # The search

    def found(self) -> tuple[Tried | None, Found]:
        """The blend, tried exactly; or None and the targets that collide."""
        if not self.wines:
            return None, Found(None, ("the lots to use",))
        kept = list(self._claims())
        plain = list(self._targets())
        for strain in STRAINS:
            claims = (
                [replace(aim, goal=harder(aim.goal, strain)) for aim in kept] if strain else kept
            )
            found = solve(self._plan([*plain, *claims]))
            if found.amounts is None:
                return None, found
            tried = self.trial.tried(self._candidate(found.amounts))
            if all(self._stands(row) for row in tried.rows):
                return tried, found
        return None, Found(None, proved=False)

    def _candidate(self, amounts: Sequence[int], name: str = ANSWER) -> Candidate:
        sources = [
            wine.drawn(self.quantity(count))
            for wine, count in zip(self.wines, amounts, strict=True)
            if count
        ]
        return Candidate(name, tuple(sources))

    def _plan(self, aims: Sequence[Aim]) -> Plan:
        size = self.step_size
        return Plan(
            tuple(wine.held // size for wine in self.wines),
            tuple(aims),
            self._costs(),
            self._near(),
        )

    def _costs(self) -> tuple[Fraction, ...]:
        if self.target.aim != "cheapest":
            return (Fraction(0),) * len(self.wines)
        return tuple(self._cost(wine) for wine in self.wines)

    def _cost(self, wine: Wine) -> Fraction:
        """What a step of a wine costs."""
        per = parse(f"1 {self.trial.recipe.cost_per}").amount
        return (self._price(wine) or Fraction(0)) * self.step_size / per

    def _near(self) -> tuple[Near, ...]:
        """In steps: how far each lot is from what is wanted of it, and how many steps of the blend
        a value that is off is worth: one in a hundred is one step of a hundred."""
        if self.target.aim != "closest":
            return ()
        found = []
        if self.target.near:
            for name, amount in self.target.near.items():
                found.append(Near(self._of(name), Fraction(amount, self.step_size)))
            for index, wine in enumerate(self.wines):
                if not {wine.use, wine.lot} & self.target.near.keys():
                    found.append(Near(self._alone(index), Fraction(0)))
        for quantity, span in self.target.analysis.items():
            if span.near is not None:
                scale = span.near or Fraction(1)
                weigh = [(self._middle(wine, quantity) - span.near) / scale for wine in self.wines]
                found.append(Near(tuple(weigh), Fraction(0)))
        return tuple(found)

    def _value(self, wine: Wine, quantity: str) -> tuple[Fraction, Fraction]:
        return self._readings[wine.use][quantity]

    def _middle(self, wine: Wine, quantity: str) -> Fraction:
        low, high = self._value(wine, quantity)
        return (low + high) / 2

    def _alone(self, index: int, by: int = 1) -> tuple[Fraction, ...]:
        return tuple(Fraction(by if at == index else 0) for at in range(len(self.wines)))

    def _of(self, name: str, by: int = 1) -> tuple[Fraction, ...]:
        """What is taken of one of the lots to use, or of a lot by all that it is used as."""
        return tuple(Fraction(by if name in (wine.use, wine.lot) else 0) for wine in self.wines)

    # Targets as goals

    def _targets(self) -> Iterator[Aim]:
        """All but the claims."""
        target, size, unit = self.target, self.step_size, self.target.unit
        least, most = target.volume
        ones = (Fraction(1),) * len(self.wines)
        minus = (Fraction(-1),) * len(self.wines)
        ends = []
        if least is not None:
            ends.append((f"at least {said(least, unit)}", Sum(ones, Fraction(least, size))))
        if most is not None:
            ends.append((f"at most {said(most, unit)}", Sum(minus, Fraction(-most, size))))
        if least == most and least is not None:
            yield Aim(f"a volume of {said(least, unit)}", Every(tuple(goal for _, goal in ends)))
        else:
            yield from (Aim(f"a volume of {words}", goal) for words, goal in ends)
        yield from self._of_lots()
        if target.smallest is not None:
            drawn = Fraction(target.smallest, size)
            choices = tuple(
                Some((Sum(self._alone(at, -1)), Sum(self._alone(at), drawn)))
                for at in range(len(self.wines))
            )
            yield Aim(f"no lot drawn by less than {said(target.smallest, unit)}", Every(choices))
        for quantity, span in target.analysis.items():
            figures = [self._value(wine, quantity) for wine in self.wines]
            said_of = f"{quantity} of at {{}} {{}} {UNITS[quantity]}"
            if span.least is not None:
                goal = Sum(tuple(low - span.least for low, _ in figures))
                yield Aim(said_of.format("least", _plain(span.least)), goal)
            if span.most is not None:
                goal = Sum(tuple(span.most - high for _, high in figures))
                yield Aim(said_of.format("most", _plain(span.most)), goal)
        if target.cost_most is not None:
            per = parse(f"1 {self.trial.recipe.cost_per}").amount
            dear = target.cost_most * size / per
            words = f"a cost of at most {_plain(target.cost_most)} a {self.trial.recipe.cost_per}"
            yield Aim(words, Sum(tuple(dear - self._cost(wine) for wine in self.wines)))

    def _of_lots(self) -> Iterator[Aim]:
        """What is asked of a lot holds for all that it is used as, together."""
        size, unit, target = self.step_size, self.target.unit, self.target
        for name, amount in target.least.items():
            goal = Sum(self._of(name), Fraction(amount, size))
            yield Aim(f"at least {said(amount, unit)} of {name}", goal)
        for name, amount in target.most.items():
            goal = Sum(self._of(name, -1), Fraction(-amount, size))
            yield Aim(f"at most {said(amount, unit)} of {name}", goal)
        for name, amount in target.spare.items():
            goal = Sum(self._of(name, -1), Fraction(amount - self._there(name), size))
            yield Aim(f"{said(amount, unit)} of {name} spared", goal)

    def _there(self, name: str) -> int:
        """All that there is of one of the lots to use, or of a lot wherever it lies."""
        whole = next((wine.whole for wine in self._asked if wine.lot == name), None)
        there = (wine.there for wine in self._asked if wine.use == name)
        return next(there) if whole is None else whole

    # Claims

    def _claims(self) -> Iterator[Aim]:
        """What each statement that is to be kept asks of what is taken of each wine."""
        if self.target.claims == ():
            return
        with self.trial.cellar(self._candidate([1] * len(self.wines), "of all")) as view:
            lot = view.lot(self.trial.recipe.into)
            label = self.trial.recipe.label or view.cellar.label_of(lot, view.claimed(lot))
            if label is None:
                if self.target.claims is not None:
                    raise Refused("target: claims are to be kept of no label", hint=_LABEL)
                return
            labelled = Labelled(view, lot, label, self.trial.recipe.markets)
            rows = labelled.rows()
            self._known(rows)
            whole = labelled.stated[0][1][0]
            asked = wanted(labelled.market.packs, [stated for stated, _ in labelled.stated])
            wines = Wines([self._fill(view, wine, asked, labelled) for wine in self.wines], whole)
            done: dict[str, Aim] = {}
            for row in filter(self._keeps, rows):
                aim = self._aim(row, wines)
                if aim is not None:
                    done.setdefault(aim.name, aim)
            yield from done.values()

    def _fill(self, view: View, wine: Wine, asked: Any, labelled: Labelled) -> Fill:
        lot = view.lot(wine.lot)
        return Evidence(view, lot, asked, labelled.instant).fills(wine.content(lot))[0]

    def _known(self, rows: Sequence[Verdict]) -> None:
        stated = {row.claim for row in rows}
        strange = [name for name in self.target.claims or () if name not in stated]
        if strange:
            raise Refused(
                f"target, claims: the label states no `{strange[0]}`",
                hint=f"it states {', '.join(sorted(stated))}",
            )

    def _keeps(self, row: Verdict) -> bool:
        return self.target.claims is None or row.claim in self.target.claims

    def _aim(self, row: Verdict, wines: Wines) -> Aim | None:
        rule = f" ({row.rule})" if row.rule else ""
        name = f"{row.claim.replace('_', ' ')}: {row.statement}{rule}"
        rests = _rests_on(row)
        if rests is not None:
            return Aim(name, wines.goal(rests))
        if row.verdict == SUPPORTED or self.target.claims is None:
            return None  # no blend of these could change it
        return Aim(name, NEVER)

    def _stands(self, row: Verdict) -> bool:
        """Whether a row of the blend that was found is as it must be."""
        if not self._keeps(row) or row.verdict == SUPPORTED:
            return True
        if self.target.claims is not None:
            return False
        rests = _rests_on(row)
        return rests is None or (rests is row.figures and row.reckoned == SUPPORTED)


def _rests_on(row: Verdict) -> Condition | None:
    """What a blend can do for a row: what its verdict rests on, or its figures where the rule
    itself is in doubt; None where the wine decides nothing."""
    if row.stake is not None and _possible(row.stake):
        return row.stake
    return row.figures if row.figures is not None and _possible(row.figures) else None


def _possible(condition: Condition) -> bool:
    if isinstance(condition, Either):
        return any(_possible(each) for each in condition.of)
    if isinstance(condition, All):
        return all(_possible(each) for each in condition.of)
    return not isinstance(condition, ByGrapes) or _possible(condition.of)


_COST = 'give it in [cost], as in "24-SY" = "14.20"'
_LABEL = "name the label that the blend is meant for, or leave `claims` out"


def _step(target: Target) -> tuple[Fraction, str]:
    """How fine the blend is measured out: as stated, else the largest part of the unit that divides
    the volume."""
    if target.step is not None:
        return target.step
    one = parse(f"1 {target.unit}").amount
    ends = [end for end in target.volume if end is not None]
    for step in STEPS:
        if all((end / (step * one)).denominator == 1 for end in ends):
            return step, target.unit
    return Fraction(1), target.unit


def _plain(value: Fraction) -> str:
    figure = floor_text(value, 12)
    return figure.rstrip("0").rstrip(".") if "." in figure else figure
