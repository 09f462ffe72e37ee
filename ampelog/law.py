"""The schema of a rule pack: what a law of labels may say, as data.

A pack is one authority's rules; a rule is one permission or one condition, with its citation, the
age of the copy it was read from, how sure that reading is, the days it is in force, and examples
at, above and below its threshold which the tests run. ``claims`` evaluates what stands here and
knows no country. A field that is not in the schema is refused: no part of a law is dropped in
silence.
"""

from collections import Counter
from datetime import date
from typing import Literal

from msgspec import field

from ampelog.grapes import Grapes
from ampelog.graph import Role
from ampelog.shares import SUPPORTED
from ampelog.terms import (
    Addition,
    AreaType,
    Beside,
    Example,
    Ingredients,
    Limit,
    Model,
    ProductClass,
    Share,
    Strength,
    Threshold,
    When,
    YearShift,
)

Dimension = Literal[
    "variety", "vintage", "origin", "vineyard", "estate", "bottler", "text", "alcohol", "format"
]
STATEMENT: dict[Dimension, str] = {
    "variety": "variety",
    "vintage": "vintage",
    "origin": "appellation",
    "vineyard": "vineyard",
    "estate": "estate_bottled",
    "bottler": "bottler",
    "text": "text",
    "alcohol": "alcohol",
    "format": "format",
}
"""The key of a label's statements that each dimension judges; ``format`` is that of the bottles."""


EFFECTS = (
    *("min_total", "forbid", "listed", "disclose", "limit", "strength", "sizes", "allergens"),
    *("unadded", "stayed", "housed", "done", "where", "free"),
)
"""What a rule may decide by, one of them at most."""
ASKED = ("requires", "beside", "text", "unjudged")
"""What a rule may ask beside that, or alone."""


class Rule(Model, frozen=True, kw_only=True):
    """One permission (``min_total``, ``forbid``) or one condition (everything else, and a
    ``min_total`` that is a ``must``).

    Alternatives: a statement stands where any permission that fits it stands and every condition
    does.

    Where it applies: to a ``claim`` of one name or several, so many of them (``count_min``,
    ``count_max``), to ``names`` or ``words`` alone, to texts with ``mentions``, to appellations
    of ``area_types``, ``inside`` a place or partly in it (``across``), ``nested`` in another of
    the label that is no country, or not, named ``anywhere`` on the label, in a text or with
    others too; and ``when`` the rest is so.

    The measure: ``min_total`` is the least share that must match; ``joint``: it must be grown
    in the appellation too; ``of``: it must be grown in these places, whatever the statement
    says; ``also``: places that count beside the appellation (``across``: appellations of the
    label that lie partly in it); ``own``: grown on land that the winery controls (a lease of at
    least ``own_years``); ``without``: nothing but grapes was added under these roles;
    ``made_here``: fermented by the bottler; ``made_in``: fermented in a place (``itself``, its
    ``state``, an ``adjacent`` State). ``min_each``: the least share of each name by its rank,
    the last for all that follow; ``dominance``: each name more than any grape that is not
    named; ``remainder_in``: where the rest must be from (``parent``: what contains the
    appellation, no country; ``spanned``: the States that it lies in; ``appellation``: the
    appellation itself; else a place); ``pure``: the wine is of one variety alone; ``order``:
    that of the names; ``exclude`` and ``deem``: additions; ``residue_tol``: what may be missing
    where it is the rest of another wine in the line; ``basis``: whether of the wine, or of the
    grapes used. ``added``: whether a material that is not grape counts against the statement or
    is left open. ``together``: how several places named as one appellation count, grown in any
    (``union``) or in all of them (``overlap``); ``one_state`` and ``touching`` say how they
    must lie.

    Other effects: ``listed``: the name is on the pack's list; ``disclose``: shares are printed,
    within ``disclose_tol``, ``disclose_by`` name or by name and place; ``requires``: other
    statements, an appellation of some type, or an approval; ``beside``: another appellation;
    ``text``: another text; ``word``: one in the name, which spares what must stand ``beside``;
    ``stayed``: the wine never left the premises; ``housed``: those lie in the appellation;
    ``done``: it was treated or blended there; ``where``: what a text says of a part of the
    wine; ``free``: it may always stand. ``forbid``: not allowed, and why. ``allergens``: each
    with the words that a material made of it has in its name or make; a text that names one
    names all that went in. ``unadded``: such
    words, of what must not have gone in; ``silent``: where the records do not tell, it has not.

    ``unjudged``: what is not judged and a statement needs, so that it is at best undetermined;
    ``doubt``: why a refusal is undetermined; ``says``: a sentence that every row carries;
    ``unplaced``: one where nothing is known of the premises' places; ``review``: why the rule
    itself is in doubt; then its rows are undetermined, and so are those of the confidence L.
    """

    id: str
    title: str
    cite: str
    url: str | None = None
    confidence: Literal["H", "M", "L"]
    source_year: int
    review: str | None = None
    valid_from: date | None = None
    valid_to: date | None = None
    valid_by: Literal["harvest", "bottling", "label"] = "label"
    overrides: str | None = None
    dimension: Dimension
    claim: Literal["single", "multi"] | None = None
    area_types: tuple[AreaType, ...] = ()
    inside: str | None = None
    across: str | None = None
    nested: bool | None = None
    anywhere: bool = False
    count_min: int = 1
    count_max: int | None = None
    names: tuple[str, ...] = ()
    except_names: tuple[str, ...] = ()
    words: tuple[str, ...] = ()
    mentions: tuple[str, ...] = ()
    when: When = When()
    basis: Literal["wine", "grapes"] = "wine"
    added: Literal["counts", "open"] = "counts"
    min_total: Threshold | None = None
    must: bool = False
    joint: tuple[Literal["origin"], ...] = ()
    of: tuple[str, ...] = ()
    also: Literal["across"] | None = None
    own: bool = False
    own_years: int = 0
    without: tuple[Role, ...] = ()
    made_here: bool = False
    made_in: tuple[Literal["itself", "state", "adjacent"], ...] = ()
    together: Literal["union", "overlap"] | None = None
    one_state: bool = False
    touching: bool = False
    min_each: tuple[Share, ...] = ()
    dominance: bool = False
    remainder_in: str | None = None
    pure: bool = False
    exclude: tuple[Addition, ...] = ()
    deem: tuple[Addition, ...] = ()
    order: Literal["desc", "desc_or_percent", "any"] = "any"
    residue_tol: Share | None = None
    forbid: str | None = None
    listed: bool = False
    disclose: Literal["percent"] | None = None
    disclose_tol: Share = Share(0)
    disclose_by: Literal["origin"] | None = None
    requires: tuple[str, ...] = ()
    beside: str | None = None
    text: Beside | None = None
    word: str | None = None
    limit: Limit | None = None
    strength: Strength | None = None
    sizes: tuple[str, ...] = ()
    allergens: dict[str, tuple[str, ...]] = field(default_factory=dict)
    unadded: tuple[str, ...] = ()
    silent: bool = False
    whole_litres_from: int | None = None
    stayed: bool = False
    housed: bool = False
    done: Literal["treated", "blended"] | None = None
    where: bool = False
    free: bool = False
    unjudged: str | None = None
    doubt: str | None = None
    says: str | None = None
    unplaced: str | None = None
    example: tuple[Example, ...]

    @property
    def permits(self) -> bool:
        """A permission, one of several that may carry a statement; else a condition."""
        return (self.min_total is not None and not self.must) or self.forbid is not None

    @property
    def by_area(self) -> bool:
        """Judged once for each appellation of the label."""
        when = self.when
        return bool(
            self.joint
            or when.origin_types
            or when.origin_inside
            or when.origin_across
            or (self.dimension != "origin" and self.remainder_in in ("parent", "spanned"))
            or self.housed
        )

    @property
    def known(self) -> bool:
        """About what is known of a wine beside its sources: where it has been, what was done."""
        return self.stayed or self.housed or self.done is not None

    @property
    def by_fill(self) -> bool:
        """Judged once for each fill, by something other than a threshold."""
        asked = (self.where, self.limit, self.strength, self.sizes, self.allergens, self.unadded)
        return self.known or any(asked)

    def in_force(self, on: date) -> bool:
        """Whether the rule stands on that day (of bottling, or of the label). One that goes by the
        harvest stands for the fruit of its days alone."""
        return self.valid_by == "harvest" or self.covers(on)

    def covers(self, day: date) -> bool:
        """Whether a day lies in the rule's validity."""
        begun = self.valid_from is None or self.valid_from <= day
        return begun and (self.valid_to is None or day <= self.valid_to)

    def __post_init__(self) -> None:
        count = sum(bool(getattr(self, effect)) for effect in EFFECTS)
        if count > 1 or not (count or any(getattr(self, asked) for asked in ASKED)):
            one = ", ".join(f"`{name}`" for name in EFFECTS)
            least = ", ".join(f"`{name}`" for name in ASKED)
            raise ValueError(f"a rule has one of {one}, or at least one of {least}")
        if self.dimension == "origin" and (self.joint or self.when.origin_types):
            raise ValueError(
                "a rule on origin has `area_types`, not `joint` or `when.origin_types`"
            )
        if (self.dimension == "origin") != bool(self.area_types):
            raise ValueError("`area_types` belongs to every rule on origin, and to no other")
        several = self.dimension == "origin" and self.claim == "multi" and self.permits
        if several != (self.together is not None):
            raise ValueError(
                "`together` belongs to a permission for several places, and to no other"
            )
        if self.listed and self.dimension != "variety":
            raise ValueError("`listed` is about grapes: its dimension is `variety`")
        self._measures()
        self._exemplified()

    def _measures(self) -> None:
        alone = (
            "joint",
            "of",
            "without",
            "also",
            "own",
            "made_here",
            "made_in",
            "min_each",
            "dominance",
        )
        more = ("own_years", "remainder_in", "exclude", "deem", "residue_tol", "must", "pure")
        for name in (*alone, *more):
            if getattr(self, name) and self.min_total is None:
                raise ValueError(f"`{name}` belongs to a rule with `min_total`")
        capped = Counter(
            product
            for each in (*self.exclude, *self.deem)
            if each.cap is not None
            for product in each.products or ("still", "sparkling", "fortified")
        )
        if any(count > 1 for count in capped.values()):
            raise ValueError("one cap at most for each class of product")

    def _exemplified(self) -> None:
        if not self.example:
            raise ValueError("a rule has an `example`")
        if self.min_total is None:
            told = {example.verdict for example in self.example}
            open_ = self.unjudged or self.forbid or self.review or self.done or self.free
            open_ = open_ or self.confidence == "L"
            if not open_ and not (SUPPORTED in told and told - {SUPPORTED}):
                raise ValueError("one example is supported and one is refused, at the least")
            return
        wanted = {"at", "below"} if self.min_total == 1 else {"above", "at", "below"}
        missing = wanted - {example.near for example in self.example if example.near}
        if missing:
            raise ValueError(f"no example stands {' or '.join(sorted(missing))} the threshold")


class Names(Model, frozen=True):
    """The pack's list of grape names. ``spellings``: names that are one, by the same reading of
    the list; ``apart``: names that the list keeps apart though they may well be one grape;
    ``instead_of``: the list that this one stands for where that is not shipped."""

    file: str
    spellings: dict[str, str] = field(default_factory=dict)
    apart: tuple[tuple[str, str], ...] = ()
    instead_of: str | None = None


class Group(Model, frozen=True):
    """A name that stands for any of several grapes, for wines of these classes."""

    of: tuple[str, ...]
    products: tuple[ProductClass, ...] = ()


class Base(Model, frozen=True):
    """Another pack whose rules hold here too, but for those that are overridden or dropped.
    ``cite`` is said after each citation; ``confidence`` is the most that any of them has."""

    pack: str
    cite: str
    drop: tuple[str, ...] = ()
    confidence: Literal["H", "M", "L"] = "H"


class Stated(Model, frozen=True, kw_only=True):
    """One authority's rules, as a file states them. ``layer``: whether they are law of the land, of
    a State, of another country, or a recommendation; ``home``: the packs that come with this one,
    as the law of where the wine is from. ``example_on``, ``example_places`` and the rest are what
    its examples share."""

    schema_: Literal[1] = field(name="schema")
    id: str
    title: str
    authority: str
    scope: str
    layer: Literal["federal", "state", "foreign", "recommendation"] = "foreign"
    home: tuple[str, ...] = ()
    base: Base | None = None
    names: Names | None = None
    groups: dict[str, Group] = field(default_factory=dict)
    adjacent: dict[str, tuple[str, ...]] = field(default_factory=dict)
    corners: dict[str, tuple[str, ...]] = field(default_factory=dict)
    year_shift: tuple[YearShift, ...] = ()
    example_on: date
    example_places: dict[str, AreaType] = field(default_factory=dict)
    example_within: dict[str, tuple[str, ...]] = field(default_factory=dict)
    example_spans: dict[str, tuple[str, ...]] = field(default_factory=dict)
    rule: tuple[Rule, ...] = ()
    ingredients: Ingredients | None = None

    def __post_init__(self) -> None:
        if not self.rule and self.base is None:
            raise ValueError("a pack has a `rule`")
        counts = Counter(rule.id for rule in self.rule)
        twice = sorted(name for name, count in counts.items() if count > 1)
        if twice:
            raise ValueError(f"two rules have the id `{twice[0]}`")
        strange = [rule.id for rule in self.rule if not rule.id.startswith(f"{self.id}-")]
        if strange:
            raise ValueError(f"the id `{strange[0]}` does not begin with the pack's, `{self.id}-`")


class Pack(Stated, frozen=True, kw_only=True):
    """One authority's rules, those of its base among them, with the list that ``names`` names."""

    grapes: Grapes = Grapes()
