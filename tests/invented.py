"""Invented dossiers of any size, for the tests of drawings and pages. No chance, no clock."""

from __future__ import annotations

from fractions import Fraction

from msgspec.structs import replace

from ampelog.facts import (
    Body,
    Claim,
    Dossier,
    Entry,
    Ferment,
    Fill,
    Flow,
    Genealogy,
    Head,
    Paper,
    Row,
    Source,
    Summed,
    Table,
    Through,
    Wine,
)
from ampelog.quantities import floor_text
from tests.invented_story import story

VARIETIES = ("Syrah", "Grenache", "Viognier", "Mourvèdre")
BLOCKS = ("Larkspur Bench", "Millrace", "Upper Terrace", "Stone Ford", "Aster Hill", "Ferry Bluff")


class Steps:
    """A small congruential sequence: the same numbers on every machine."""

    def __init__(self, seed: int) -> None:
        self.state = seed

    def below(self, top: int) -> int:
        self.state = (self.state * 1_103_515_245 + 12_345) % 2**31
        return (self.state >> 8) % top


def text(share: Fraction) -> str:
    return floor_text(share, 30)


def genealogy(lots: int, name: str = "") -> Genealogy:
    """A wine of about that many lots: fruit, ferments, presses, barrels, blends, the wine."""
    steps = Steps(lots)
    blends = max(1, lots // 20)
    barrels = max(1, lots // 6)
    presses = max(1, lots // 4)
    ferments = max(1, lots - blends - barrels - presses - 1)
    levels = [
        [f"{name}24-F{index + 1:02d} {VARIETIES[index % 4]}" for index in range(ferments)],
        [f"{name}24-P{index + 1:02d}" for index in range(presses)],
        [f"{name}24-B{index + 1:02d} barrels" for index in range(barrels)],
        [f"{name}24-Blend {index + 1}" for index in range(blends)],
        [f"{name}24-SY-Reserve"],
    ]
    shares: dict[str, Fraction] = {levels[-1][0]: Fraction(1)}
    flows: list[Flow] = []
    fractions = (None, "free run", "light press", "hard press")
    for above, below in zip(reversed(levels[:-1]), reversed(levels[1:]), strict=True):
        weights = {lot: 1 + steps.below(9) for lot in above}
        for target in below:
            chosen = [
                lot for index, lot in enumerate(above) if index % len(below) == below.index(target)
            ]
            if len(above) > 2 and steps.below(3) == 0:
                chosen.append(above[steps.below(len(above))])
            chosen = list(dict.fromkeys(chosen or [above[0]]))
            whole = sum(weights[lot] for lot in chosen)
            for lot in chosen:
                part = shares[target] * weights[lot] / whole
                shares[lot] = shares.get(lot, Fraction(0)) + part
                fraction = fractions[steps.below(4)] if above is levels[1] else None
                flows.append(Flow(lot, target, text(part), fraction))
    bodies: list[Body] = []
    fruit: dict[str, Fraction] = {}
    for index, lot in enumerate(levels[0]):
        block = BLOCKS[index % min(len(BLOCKS), max(2, lots // 5))]
        key = f"{block}/{VARIETIES[index % 4]}"
        fruit[key] = fruit.get(key, Fraction(0)) + shares.get(lot, Fraction(0))
        flows.append(Flow(key, lot, text(shares.get(lot, Fraction(0)))))
    for key, share in fruit.items():
        block, variety = key.split("/")
        bodies.append(Body(key, "fruit", f"{block}, {variety}", text(share), since="2024-09-20"))
    for level, lots_of in enumerate(levels):
        for lot in lots_of:
            kind = "wine" if lot == levels[-1][0] else "lot"
            lost = text(shares.get(lot, Fraction(0)) * (1 + level) / 100) if level % 2 else "0"
            since = ("2024-09-24", "2024-10-08", "2024-10-20", "2025-06-11", "2025-07-30")[level]
            bodies.append(Body(lot, kind, lot, text(shares.get(lot, Fraction(0))), "", since, lost))
    water = Body("water", "addition", "water", text(Fraction(1, 200)), "", "2024-09-25")
    flows.append(Flow("water", levels[0][0], text(Fraction(1, 200)), None, "water"))
    topping = Body("old", "received", "22-SY topping wine", text(Fraction(1, 40)), "", "2022-10-01")
    flows.append(Flow("old", levels[2][0], text(Fraction(1, 40))))
    return Genealogy((*bodies[:-1], water, topping, bodies[-1]), tuple(flows))


CLAIMS = (
    Claim("variety", "Syrah", "one variety", "27 CFR 4.23(b)", "0.75",
          "0.812345678901234567890123456789",
          "0.062345678901234567890123456789", "supported", None,
          "81.2 % of the wine is Syrah grown in Walla Walla Valley; 75 % is needed."),
    Claim("vintage", "2024", "vintage with a viticultural area", "27 CFR 4.27(a)(1)", "0.95",
          "0.949711111111111111111111111111", "-0.000288888888888888888888888889", "refused", None,
          "94.9 % of the wine is of 2024; 95 % is needed. 61 L of topping wine are of 2022."),
    Claim("appellation", "Walla Walla Valley", "viticultural area", "27 CFR 4.25(e)(3)(ii)", "0.85",
          "0.991", "0.141", "supported", None,
          "99.1 % of the wine is grown in Walla Walla Valley; 85 % is needed."),
    Claim("vineyard", "Larkspur Bench", "none", "no rule", None, None, None, "undetermined", None,
          "No rule of this version judges the statement `vineyard`."),
)  # fmt: skip


def dossier(lots: int = 12, events: int = 40, name: str = "") -> Dossier:
    """A whole invented dossier."""
    drawn = genealogy(lots, name)
    sources = [body for body in drawn.bodies if body.kind in ("fruit", "received", "addition")]
    rows = tuple(Row((body.name,), body.share) for body in sources)
    kinds = (
        "Racked all of 24-F01 Syrah from T4: 1250 L into 24-P01 in T7.",
        "Measured 24-B01 barrels in B-101, B-102, B-103, B-104 and 16 more vessels: 225 L each.",
        "Topped with 12.5 L of 22-SY topping wine from T2: 12.5 L into 24-B01 barrels in B-101.",
        "Analysed 24-B01 barrels in B-101 by Fennel Street: alcohol 13.84 % vol, pH 3.71.",
        "Picked 12500 kg in Larkspur Bench into 24-F01 Syrah in bin 12, by hand, 24.6 Brix.",
    )
    trail = tuple(
        Entry(
            position=100 + index,
            at=f"2024-{9 + index % 3:02d}-{1 + index % 28:02d}T0{index % 10}:15",
            recorded_on=f"2024-{9 + index % 3:02d}-{1 + index % 28:02d}",
            kind="rack",
            says=kinds[index % len(kinds)],
            by="Ines Aldaya",
            ref=f"WO-{index:04d}" if index % 3 else None,
            papers=(Paper("Weigh tag 118", "ab" * 32),) if index % 7 == 0 else (),
            corrected_by=101 + index if index == 5 else None,
            corrects=99 + index if index == 6 else None,
        )
        for index in range(events)
    )
    return Dossier(
        title="2024 Reserve Syrah, Walla Walla Valley",
        premises="Cellar at Larkspur",
        head=Head("0192f0aa-7c1e-7b7e-8a55-2f3b9e7d1c01", 12_345, "9f" * 32),
        as_of="2026-11-25",
        wine=Wine(
            lot=f"{name}24-SY-Reserve",
            state="bottled",
            unit="L",
            amount="4873.5",
            told_of="4873.5",
            label="Reserve Syrah",
            style="dry red",
            bottles="6498",
            filled="6500",
            format="750 mL",
            fills=(Fill("a1", 812, "2026-05-12", "6498", "L2612"),),
            rest="180 days",
            rest_ends_on="2026-11-08",
            released_on="2026-11-10",
        ),
        advice="Decision support, not legal advice. Check current law; the authority decides.",
        verdict="refused",
        claims=CLAIMS,
        origins=Table("Where from", ("block",), rows),
        composition=(
            Table("By variety", ("variety",), (
                Row(("Syrah",), text(Fraction(8123, 10000))),
                Row(("Grenache",), text(Fraction(1500, 10000))),
                Row(("Viognier",), text(Fraction(370, 10000))),
                Row((None,), text(Fraction(7, 10000))),
            )),
            Table("By vintage", ("vintage",), (
                Row(("2024",), text(Fraction(9497, 10000))),
                Row(("2022",), text(Fraction(503, 10000))),
            )),
            Table("By place", ("place",), (
                Row(("Columbia Valley",), text(Fraction(9994, 10000))),
                Row(("Walla Walla Valley",), text(Fraction(991, 1000))),
                Row(("Washington",), text(Fraction(88, 100))),
            ), overlap=True),
            Table("By variety, vintage and block", ("variety", "vintage", "block"), tuple(
                Row((VARIETIES[i % 4], "2024", BLOCKS[i % 6]), text(Fraction(1, 12)))
                for i in range(12)
            )),
        ),
        genealogy=drawn,
        through=tuple(
            Through(body.name, body.share, (
                Ferment(
                    f"T{i}",
                    "native yeast" if i % 2 else "yeast R-14",
                    "pump-over 0.5 h on, 6 h off; 2 punch-downs a day",
                    body.share,
                ),
            ) if i % 3 == 0 else ())
            for i, body in enumerate(drawn.bodies) if body.kind == "lot"
        ),
        sources=tuple(
            Source(40 + i, "pick" if body.kind == "fruit" else "receive",
                   body.since or "2024-09-20", "24-F01", body.name,
                   "Syrah", 2024, body.share, None, f"Weigh tag {118 + i}")
            for i, body in enumerate(sources)
        ),
        trail=trail,
        summed=(
            Summed("22-SY topping wine", None, 412, "2022-10-01", "2024-03-02", "0.0004"),
            Summed("21-GR-2", None, 80, "2021-10-09", "2023-01-20", "0.00001"),
            Summed("24-SY-A", "reading", 1200, "2024-09-21", "2024-10-09", "0.4"),
        ),
        **story(),
    )  # fmt: skip


def renamed(made: Dossier, text: str) -> Dossier:
    """The same dossier with one text in every place that takes text from a ledger."""
    wine = replace(made.wine, lot=text, state=text, label=text, style=text, owner=text, format=text)
    return replace(
        made,
        title=text,
        premises=text,
        wine=wine,
        claims=tuple(replace(one, statement=text, why=text, citation=text) for one in made.claims),
        origins=replace(
            made.origins, rows=tuple(replace(row, names=(text,)) for row in made.origins.rows)
        ),
        composition=tuple(
            replace(
                table,
                rows=tuple(replace(row, names=(text,) * len(row.names)) for row in table.rows),
            )
            for table in made.composition
        ),
        genealogy=replace(
            made.genealogy,
            bodies=tuple(replace(body, name=text, says=text) for body in made.genealogy.bodies),
        ),
        through=tuple(replace(one, lot=text) for one in made.through),
        sources=tuple(replace(one, name=text, lot=text, ref=text) for one in made.sources),
        trail=tuple(
            replace(one, says=text, by=text, ref=text, papers=(Paper(text, None),))
            for one in made.trail
        ),
        summed=tuple(replace(one, lot=text) for one in made.summed),
        **story(text),
    )
