"""What a wine is made of: exact joint shares, and exact decisions on them.

The shares come from one backward pass in whole numbers, with a proven error. A condition is
decided by that enclosure; where a threshold falls inside it, the same pass modulo four primes of
64 bits, drawn from a hash of the ledger's head and the lot, tells a tie from a difference, and a
difference is parted by doubling the bits. Equality meets a "not less than".
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from hashlib import sha256
from typing import Any

from ampelog.genealogy import BITS, Genealogy, Mark, Parts, Split, back, fixed, modulo
from ampelog.sources import Leaf

Weigh = Callable[[Leaf], int | Fraction]
Expand = Callable[[int, Mark], list[tuple[Leaf, Fraction]]]
DECIMALS = 30
PRIMES = 4


@dataclass(frozen=True)
class Measure:
    """A share, enclosed: ``low <= share <= high``; ``meets`` is decided exactly."""

    low: Fraction
    high: Fraction
    meets: bool


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
        self._seed, self._kinds = seed, kinds
        self._low, self._lost = self._pass(BITS)
        self.leaves: tuple[Leaf, ...] = tuple(self._low)

    def _pass(self, bits: int) -> tuple[dict[Leaf, Fraction], Fraction]:
        """Each leaf's share from below, and all that rounding lost."""
        one = 1 << bits
        weights = back(self._genealogy, self._content, one, fixed, self._kinds)
        lost = Fraction(one - sum(weights.values()), one)
        shares: dict[Leaf, Fraction] = {}
        for leaf, share in self._spread(weights):
            shares[leaf] = shares.get(leaf, Fraction(0)) + share / one
        return shares, lost

    def _spread(self, weights: dict[tuple[int, Mark], int]) -> Iterator[tuple[Leaf, Fraction]]:
        for (node, mark), weight in weights.items():
            for leaf, share in self._expand(node, mark):
                yield leaf, weight * share

    def share(self, leaf: Leaf) -> Fraction:
        """A leaf's share from below; the true one is at most 2^-200 above."""
        return self._low[leaf]

    def measure(self, weigh: Weigh, threshold: Fraction) -> Measure:
        """The share that ``weigh`` picks, 0 to 1 of each leaf, and whether it meets a threshold."""
        low, high = self._enclose(weigh, self._low, self._lost)
        sign = self.sign(lambda leaf: Fraction(weigh(leaf)) - threshold)
        return Measure(low, high, sign >= 0)

    def sign(self, weigh: Weigh) -> int:
        """The exact sign of the sum of ``weigh(leaf) * share(leaf)``: -1, 0 or 1."""
        shares, lost, bits = self._low, self._lost, BITS
        tied: bool | None = None
        while True:
            low, high = self._enclose(weigh, shares, lost)
            if low > 0:
                return 1
            if high < 0:
                return -1
            if low == high:
                return 0
            if tied is None:
                tied = self._tied(weigh)
            if tied:
                return 0
            bits *= 2
            shares, lost = self._pass(bits)

    def _enclose(
        self, weigh: Weigh, shares: dict[Leaf, Fraction], lost: Fraction
    ) -> tuple[Fraction, Fraction]:
        known = Fraction(0)
        least = most = None
        for leaf, share in shares.items():
            weight = Fraction(weigh(leaf))
            known += weight * share
            least = weight if least is None or weight < least else least
            most = weight if most is None or weight > most else most
        return known + (least or 0) * lost, known + (most or 0) * lost

    def _tied(self, weigh: Weigh) -> bool:
        """Whether the sum is exactly zero: it is, where it is modulo four primes."""
        agreed = 0
        for prime in _primes(self._seed):
            try:
                if self._modulo(weigh, prime, modulo(prime)) != 0:
                    return False
            except ValueError:
                continue
            agreed += 1
            if agreed == PRIMES:
                return True
        raise AssertionError("unreachable: there is no end of primes")

    def _modulo(self, weigh: Weigh, prime: int, split: Split) -> int:
        total = 0
        weights = back(self._genealogy, self._content, 1, split, self._kinds)
        for (node, mark), weight in weights.items():
            for leaf, share in self._expand(node, mark):
                part = Fraction(weigh(leaf)) * share
                total += weight * part.numerator * pow(part.denominator, -1, prime)
        return total % prime

    def rows(self, values: Callable[[Leaf], tuple[Any, ...]]) -> list[tuple[tuple[Any, ...], str]]:
        """Shares summed by what ``values`` says of a leaf, largest first, with 30 decimals.

        They sum to exactly 1: the largest takes what rounding down left.
        """
        sums: dict[tuple[Any, ...], Fraction] = {}
        for leaf, share in self._low.items():
            key = values(leaf)
            sums[key] = sums.get(key, Fraction(0)) + share
        return partition(sums)

    def overlapping(
        self, values: Callable[[Leaf], Sequence[tuple[Any, ...]]]
    ) -> list[tuple[tuple[Any, ...], str]]:
        """Shares of what a leaf may be several of (places); they need not sum to one."""
        sums: dict[tuple[Any, ...], Fraction] = {}
        for leaf, share in self._low.items():
            for key in values(leaf):
                sums[key] = sums.get(key, Fraction(0)) + share
        whole = 1 - self._lost
        rows = sorted(sums.items(), key=_largest_first)
        # A share of all there is, is one, though rounding down lost a little of it.
        return [(key, _printed(Fraction(1) if share == whole else share)) for key, share in rows]


def partition(sums: dict[tuple[Any, ...], Fraction]) -> list[tuple[tuple[Any, ...], str]]:
    """Rows of shares that sum to exactly 1, largest first."""
    grid = 10**DECIMALS
    ordered = sorted(sums.items(), key=_largest_first)
    nearest = [round(share * grid) for _, share in ordered]
    if nearest:
        nearest[0] += grid - sum(nearest)
    return [(key, decimals(scaled)) for (key, _), scaled in zip(ordered, nearest, strict=True)]


def _largest_first(row: tuple[tuple[Any, ...], Fraction]) -> tuple[Fraction, str]:
    return (-row[1], str(row[0]))


def _printed(share: Fraction) -> str:
    return decimals(round(share * 10**DECIMALS))


def decimals(scaled: int) -> str:
    """A share from whole 10^-30 as a plain decimal string."""
    whole, rest = divmod(scaled, 10**DECIMALS)
    return f"{whole}.{rest:0{DECIMALS}d}"


def _primes(seed: str) -> Iterator[int]:
    """Primes of 64 bits, drawn from a hash of the seed."""
    count = 0
    while True:
        drawn = sha256(f"{seed}/{count}".encode()).digest()[:8]
        number = int.from_bytes(drawn, "big") | (1 << 63) | 1
        count += 1
        if _is_prime(number):
            yield number


_WITNESSES = (2, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31, 37)
"""Enough for every number below 3.3 * 10^24 (Sorenson and Webster 2015; from memory)."""


def _is_prime(number: int) -> bool:
    odd, twos = number - 1, 0
    while odd % 2 == 0:
        odd //= 2
        twos += 1
    for witness in _WITNESSES:
        if number % witness == 0:
            return number == witness
        power = pow(witness, odd, number)
        if power in (1, number - 1):
            continue
        for _ in range(twos - 1):
            power = power * power % number
            if power == number - 1:
                break
        else:
            return False
    return True
