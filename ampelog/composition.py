"""What a wine is made of: exact joint shares, and exact decisions on them.

The shares come from one backward pass in whole numbers, with a proven error. A condition is
decided by that enclosure; where a threshold falls inside it, the same pass modulo four primes of
64 bits, drawn from a hash of the ledger's head and the lot, tells a tie from a difference, and a
difference is parted by doubling the bits. Equality meets a "not less than".
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterator, Mapping, Sequence
from fractions import Fraction
from math import lcm
from typing import Any, Generic, NamedTuple, Protocol, TypeVar

from msgspec import Struct

from ampelog.genealogy import BITS, Genealogy, Mark, Parts, back, fixed, modulo
from ampelog.primes import primes
from ampelog.quantities import SHARE_DECIMALS
from ampelog.sources import Leaf

Number = int | Fraction
Weigh = Callable[[Leaf], Number]
Expand = Callable[[int, Mark], list[tuple[Leaf, Fraction]]]
K = TypeVar("K", bound=Hashable)
DECIMALS = SHARE_DECIMALS
PRIMES = 4


class Measure(Struct, frozen=True):
    """A share, enclosed: ``low <= share <= high``; ``meets`` is decided exactly."""

    low: Fraction
    high: Fraction
    meets: bool


class Level(NamedTuple):
    """The shares of all leaves from below, as whole numbers of ``whole``, and what rounding lost.

    One denominator for all of them: a sum over 20,000 leaves is a sum of integers.
    """

    weights: list[int]
    lost: int
    whole: int

    def enclose(self, weigh: Sequence[Number]) -> tuple[Fraction, Fraction]:
        """Bounds of the sum of ``weigh * share``, a weight for each leaf in order."""
        scaled, below = _scaled(weigh)
        known = sum([weight * share for weight, share in zip(scaled, self.weights, strict=True)])
        least, most = min(scaled, default=0), max(scaled, default=0)
        whole = self.whole * below
        return Fraction(known + least * self.lost, whole), Fraction(known + most * self.lost, whole)


class Body(Protocol):
    """What has leaves with exact shares: a composition, or one whose leaves are pooled."""

    def enclose(self, weigh: Sequence[Number], bits: int = ...) -> tuple[Fraction, Fraction]: ...
    def residue(self, weigh: Sequence[Number], prime: int) -> int: ...


def sign(terms: Sequence[tuple[Body, Sequence[Number]]], seed: str) -> int:
    """The exact sign, -1, 0 or 1, of the sum over bodies of ``weigh * share`` over their leaves.

    ``seed`` is what the primes are drawn from.
    """
    bits = BITS
    tied: bool | None = None
    while True:
        low = high = Fraction(0)
        for body, weigh in terms:
            least, most = body.enclose(weigh, bits)
            low, high = low + least, high + most
        if low > 0:
            return 1
        if high < 0:
            return -1
        if low == high:
            return 0
        if tied is None:
            tied = _tied(terms, seed)
        if tied:
            return 0
        bits *= 2


def _tied(terms: Sequence[tuple[Body, Sequence[Number]]], seed: str) -> bool:
    """Whether the sum is exactly zero: it is, where it is modulo four primes."""
    agreed = 0
    for prime in primes(seed):
        try:
            if sum(body.residue(weigh, prime) for body, weigh in terms) % prime:
                return False
        except ValueError:
            continue
        agreed += 1
        if agreed == PRIMES:
            return True
    raise AssertionError("unreachable: there is no end of primes")


def _scaled(weigh: Sequence[Number]) -> tuple[Sequence[int], int]:
    """Weights as whole numbers over one denominator."""
    below = lcm(*{weight.denominator for weight in weigh})
    if below == 1:
        return [weight.numerator for weight in weigh], 1
    return [weight.numerator * (below // weight.denominator) for weight in weigh], below


class Composition:
    """The sources of a content, each with its share.

    ``content`` are (node, amount) parts; ``expand`` gives the leaves of a source node; ``seed``
    names the head and the lot, from which the primes are drawn.
    """

    def __init__(
        self,
        genealogy: Genealogy,
        content: Parts,
        expand: Expand,
        seed: str,
        kinds: tuple[bool, bool, bool] = (True, False, False),
    ) -> None:
        self._genealogy, self._content, self._expand = genealogy, content, expand
        self.seed, self._kinds = seed, kinds
        self._levels: dict[int, Level] = {}
        self._residues: dict[int, list[int]] = {}
        level, found = self._pass(BITS)
        self._levels[BITS] = level
        self.leaves: tuple[Leaf, ...] = tuple(found)
        self._index = found

    def _pass(self, bits: int) -> tuple[Level, dict[Leaf, int]]:
        """Each leaf's share from below, all that rounding lost, and the leaves by number."""
        one = 1 << bits
        weights = back(self._genealogy, self._content, one, fixed, self._kinds)
        parts = list(self._spread(weights))
        below = lcm(*{share.denominator for _, _, share in parts})
        index: dict[Leaf, int] = {}
        shares: list[int] = []
        for leaf, weight, share in parts:
            part = weight * share.numerator * (below // share.denominator)
            at = index.setdefault(leaf, len(shares))
            if at == len(shares):
                shares.append(part)
            else:
                shares[at] += part
        lost = (one - sum(weights.values())) * below
        return Level(shares, lost, one * below), index

    def _spread(self, weights: dict[tuple[int, Mark], int]) -> Iterator[tuple[Leaf, int, Fraction]]:
        for (node, mark), weight in weights.items():
            for leaf, share in self._expand(node, mark):
                yield leaf, weight, share

    def level(self, bits: int = BITS) -> Level:
        """The shares in the order of ``leaves``, each below the true one by less than was lost."""
        found = self._levels.get(bits)
        if found is None:
            found = self._levels[bits] = self._pass(bits)[0]
        return found

    def residues(self, prime: int) -> list[int]:
        """The shares modulo a prime, in the order of ``leaves``. ``ValueError`` where a total of
        the graph has no inverse."""
        found = self._residues.get(prime)
        if found is None:
            found = [0] * len(self.leaves)
            weights = back(self._genealogy, self._content, 1, modulo(prime), self._kinds)
            for leaf, weight, share in self._spread(weights):
                part = weight * share.numerator * pow(share.denominator, -1, prime)
                found[self._index[leaf]] += part % prime
            self._residues[prime] = found
        return found

    def enclose(self, weigh: Sequence[Number], bits: int = BITS) -> tuple[Fraction, Fraction]:
        """Bounds of the sum of ``weigh * share``, a weight for each leaf in order."""
        return self.level(bits).enclose(weigh)

    def residue(self, weigh: Sequence[Number], prime: int) -> int:
        """The sum of ``weigh * share`` modulo a prime."""
        return _residue(weigh, self.residues(prime), prime)

    def share(self, leaf: Leaf) -> Fraction:
        """A leaf's share from below; the true one is at most 2^-200 above."""
        level = self.level()
        return Fraction(level.weights[self._index[leaf]], level.whole)

    def measure(self, weigh: Weigh, threshold: Fraction) -> Measure:
        """The share that ``weigh`` picks, 0 to 1 of each leaf, and whether it meets a threshold."""
        weights = [weigh(leaf) for leaf in self.leaves]
        low, high = self.enclose(weights)
        found = sign([(self, [weight - threshold for weight in weights])], self.seed)
        return Measure(low, high, found >= 0)

    def sign(self, weigh: Weigh) -> int:
        """The exact sign of the sum of ``weigh(leaf) * share(leaf)``: -1, 0 or 1."""
        return sign([(self, [weigh(leaf) for leaf in self.leaves])], self.seed)

    def pooled(
        self, see: Callable[[Leaf], K], weight: Callable[[Leaf], Number | None] | None = None
    ) -> Pooled[K]:
        """The same, seen by what ``see`` says of a leaf: leaves that look alike are one.

        ``weight`` says how many kilograms of grapes are behind a litre of a leaf, None where that
        is not known.
        """
        return Pooled(self, see, weight)

    def rows(self, values: Callable[[Leaf], tuple[Any, ...]]) -> list[tuple[tuple[Any, ...], str]]:
        """Shares summed by what ``values`` says of a leaf, largest first, with 30 decimals.

        They sum to exactly 1: the largest takes what rounding down left.
        """
        level = self.level()
        sums: dict[tuple[Any, ...], int] = {}
        for leaf, share in zip(self.leaves, level.weights, strict=True):
            key = values(leaf)
            sums[key] = sums.get(key, 0) + share
        return partition({key: Fraction(share, level.whole) for key, share in sums.items()})

    def overlapping(
        self, values: Callable[[Leaf], Sequence[tuple[Any, ...]]]
    ) -> list[tuple[tuple[Any, ...], str]]:
        """Shares of what a leaf may be several of (places); they need not sum to one."""
        level = self.level()
        sums: dict[tuple[Any, ...], int] = {}
        for leaf, share in zip(self.leaves, level.weights, strict=True):
            for key in values(leaf):
                sums[key] = sums.get(key, 0) + share
        # A share of all there is, is one, though rounding down lost a little of it.
        whole = level.whole - level.lost
        shares = {
            key: Fraction(1) if share == whole else Fraction(share, level.whole)
            for key, share in sums.items()
        }
        rows = sorted(shares.items(), key=_largest_first)
        return [(key, _printed(share)) for key, share in rows]


class Pooled(Generic[K]):
    """A composition whose leaves are pooled by what is seen of them."""

    def __init__(
        self,
        of: Composition,
        see: Callable[[Leaf], K],
        weight: Callable[[Leaf], Number | None] | None = None,
    ) -> None:
        self._of, self.seed = of, of.seed
        index: dict[K, int] = {}
        self._at = [index.setdefault(see(leaf), len(index)) for leaf in of.leaves]
        self.leaves: tuple[K, ...] = tuple(index)
        self._levels: dict[int, Level] = {}
        self._residues: dict[int, list[int]] = {}
        self.grapes: Weighed | None = None
        if weight is not None:
            weights = [weight(leaf) for leaf in of.leaves]
            known = [each for each in weights if each is not None]
            if len(known) == len(weights):
                self.grapes = Weighed(of, self.leaves, self._at, known)

    def enclose(self, weigh: Sequence[Number], bits: int = BITS) -> tuple[Fraction, Fraction]:
        """Bounds of the sum of ``weigh * share``, a weight for each leaf in order."""
        found = self._levels.get(bits)
        if found is None:
            level = self._of.level(bits)
            found = self._levels[bits] = level._replace(weights=self._summed(level.weights))
        return found.enclose(weigh)

    def residue(self, weigh: Sequence[Number], prime: int) -> int:
        """The sum of ``weigh * share`` modulo a prime."""
        found = self._residues.get(prime)
        if found is None:
            found = self._residues[prime] = self._summed(self._of.residues(prime))
        return _residue(weigh, found, prime)

    def _summed(self, parts: Sequence[int]) -> list[int]:
        return _summed(self._at, parts, len(self.leaves))

    def events(self, counts: Sequence[bool]) -> tuple[str, ...]:
        """The events of the sources in the leaves that count, each once."""
        found = (
            leaf.event for leaf, at in zip(self._of.leaves, self._at, strict=True) if counts[at]
        )
        return tuple(dict.fromkeys(found))


class Weighed:
    """A pooled composition by the weight of the grapes behind it: sums of ``weigh * weight *
    share`` (kg a litre), enclosed and decided as those of shares are."""

    grapes = None

    def __init__(
        self, of: Composition, leaves: tuple[Any, ...], at: Sequence[int], weights: Sequence[Number]
    ) -> None:
        self._of, self.seed = of, of.seed
        self.leaves, self._at, self._weights = leaves, at, weights
        self._levels: dict[int, tuple[list[int], int, int]] = {}
        self._residues: dict[int, list[int]] = {}

    def enclose(self, weigh: Sequence[Number], bits: int = BITS) -> tuple[Fraction, Fraction]:
        """Bounds of the sum of ``weigh * weight * share``."""
        sums, over, whole = self._level(bits)
        scaled, below = _scaled(weigh)
        known = sum([weight * part for weight, part in zip(scaled, sums, strict=True)])
        least, most = min([0, *scaled]), max([0, *scaled])
        whole *= below
        return Fraction(known + least * over, whole), Fraction(known + most * over, whole)

    def _level(self, bits: int) -> tuple[list[int], int, int]:
        """The sums from below, by how much all of them together may be over, and of what whole:
        what rounding the shares lost, at the heaviest, and one unit a leaf for its own weight."""
        found = self._levels.get(bits)
        if found is None:
            level = self._of.level(bits)
            near = [(each.numerator << bits) // each.denominator for each in self._weights]
            parts = [share * weight for share, weight in zip(level.weights, near, strict=True)]
            over = level.lost * (max(near, default=0) + 1) + sum(level.weights)
            sums = _summed(self._at, parts, len(self.leaves))
            found = self._levels[bits] = (sums, over, level.whole << bits)
        return found

    def residue(self, weigh: Sequence[Number], prime: int) -> int:
        """The same sum modulo a prime."""
        found = self._residues.get(prime)
        if found is None:
            parts = [
                share * each.numerator * pow(each.denominator, -1, prime) % prime
                for share, each in zip(self._of.residues(prime), self._weights, strict=True)
            ]
            found = self._residues[prime] = _summed(self._at, parts, len(self.leaves))
        return _residue(weigh, found, prime)

    def events(self, counts: Sequence[bool]) -> tuple[str, ...]:
        """None: the same shares by volume have them."""
        del counts
        return ()


def _summed(at: Sequence[int], parts: Sequence[int], count: int) -> list[int]:
    """Parts summed into so many pools."""
    sums = [0] * count
    for pool, part in zip(at, parts, strict=True):
        sums[pool] += part
    return sums


def _residue(weigh: Sequence[Number], shares: Sequence[int], prime: int) -> int:
    total = 0
    for weight, share in zip(weigh, shares, strict=True):
        if weight:
            total += weight.numerator * pow(weight.denominator, -1, prime) * share
    return total % prime


def partition(sums: dict[tuple[Any, ...], Fraction]) -> list[tuple[tuple[Any, ...], str]]:
    """Rows of shares that sum to exactly 1, largest first."""
    grid = 10**DECIMALS
    ordered = sorted(sums.items(), key=_largest_first)
    nearest = [round(share * grid) for _, share in ordered]
    if nearest:
        nearest[0] += grid - sum(nearest)
    return [(key, decimals(scaled)) for (key, _), scaled in zip(ordered, nearest, strict=True)]


def shared(amounts: Mapping[K, int]) -> dict[K, str]:
    """The share of each amount in all of them; they sum to exactly 1. Of nothing none has any."""
    whole = sum(amounts.values()) or 1
    rows = partition({(key,): Fraction(amount, whole) for key, amount in amounts.items()})
    return {key: share for (key,), share in rows}


def _largest_first(row: tuple[tuple[Any, ...], Fraction]) -> tuple[Fraction, str]:
    return (-row[1], str(row[0]))


def _printed(share: Fraction) -> str:
    return decimals(round(share * 10**DECIMALS))


def decimals(scaled: int) -> str:
    """A share from whole 10^-30 as a plain decimal string."""
    whole, rest = divmod(scaled, 10**DECIMALS)
    return f"{whole}.{rest:0{DECIMALS}d}"
