"""Primes of 64 bits, drawn from a hash: exact sums are looked at modulo a few of them."""

from __future__ import annotations

from collections.abc import Iterator
from hashlib import sha256


def primes(seed: str) -> Iterator[int]:
    """Primes of 64 bits, drawn from a hash of the seed."""
    count = 0
    while True:
        drawn = sha256(f"{seed}/{count}".encode()).digest()[:8]
        number = int.from_bytes(drawn, "big") | (1 << 63) | 1
        count += 1
        if is_prime(number):
            yield number


_WITNESSES = (2, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31, 37)
"""Enough for every number below 3.3 * 10^24 (Sorenson and Webster 2015; from memory)."""


def is_prime(number: int) -> bool:
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
