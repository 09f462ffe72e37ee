"""What may stand at a key of a trial's file: each reader takes what stands there, and raises
``WrongError`` or ``NotAQuantity`` where it is not what is wanted."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from typing import Any

from ampelog.quantities import parse
from ampelog.shorthand import endpoint

UNIT_KEYS = ("L", "hL", "gal")


class WrongError(ValueError):
    """What stands somewhere in the file is not what is wanted there."""


def text(value: Any) -> str:
    """A text that says something."""
    if not isinstance(value, str) or not value.strip():
        raise WrongError(f"wanted a text, seen {seen(value)}")
    return value


def time(value: Any) -> str:
    """A moment; TOML has dates of its own, events have them as texts."""
    return value.isoformat() if hasattr(value, "isoformat") else text(value)


def texts(value: Any) -> tuple[str, ...]:
    """A list of texts; one alone may stand without brackets."""
    listed = [value] if isinstance(value, str) else value
    if not isinstance(listed, list):
        raise WrongError(f"wanted a list of texts, seen {seen(value)}")
    return tuple(text(each) for each in listed)


def uses(value: Any) -> tuple[str, ...]:
    """The lots to use, without a quantity."""
    found = texts(value)
    for use in found:
        if not endpoint(use, quantity=False).keys() <= {"lot", "vessel", "vessels"}:
            raise WrongError(
                f"`{use}` names a quantity; wanted a lot, or LOT@VESSEL: how much of it may be "
                f"taken stands in `least`, `most` and `spare`"
            )
    return found


def table(value: Any) -> dict[str, Any]:
    """A table."""
    if not isinstance(value, dict):
        raise WrongError(f"wanted a table, seen {seen(value)}")
    return value


def tables(value: Any) -> list[dict[str, Any]]:
    """A list of tables; one may stand alone."""
    return [table(each) for each in (value if isinstance(value, list) else [value])]


def money(value: Any) -> Fraction | None:
    """A decimal, exactly."""
    told = text(value)
    try:
        if not told.replace(".", "", 1).isdigit() or not told.isascii():
            raise ValueError
        return Fraction(told)
    except ValueError:
        raise WrongError(f'wanted a decimal as text, as in "12.40"; seen `{told}`') from None


def moneys(value: Any) -> Mapping[str, Fraction]:
    """Decimals by name."""
    return {name: money(each) or Fraction(0) for name, each in table(value).items()}


def unit(value: Any) -> str:
    """A unit of volume."""
    if value not in UNIT_KEYS:
        raise WrongError(f"wanted one of {', '.join(UNIT_KEYS)}, seen {seen(value)}")
    return str(value)


def volume(value: Any) -> int:
    """A volume, in 10^-12 L."""
    found = parse(text(value))
    if found.dimension != "volume":
        raise WrongError(f"`{value}` is no volume")
    return found.amount


def amounts(value: Any) -> Mapping[str, int]:
    """Volumes by lot, in 10^-12 L."""
    return {name: volume(each) for name, each in table(value).items()}


def volumes(value: Any) -> tuple[int | None, int | None]:
    """A volume, or the least and the most of it, in 10^-12 L."""
    if isinstance(value, dict):
        if not value or not set(value) <= {"least", "most"}:
            raise WrongError("wanted a volume, or its `least` and `most`")
        least, most = (volume(value[k]) if k in value else None for k in ("least", "most"))
        if least is not None and most is not None and least > most:
            raise WrongError("the least is more than the most")
        return least, most
    return volume(value), volume(value)


def unit_of(value: Any) -> str:
    """The unit in which a volume is said."""
    if isinstance(value, dict):
        value = value.get("most") or value.get("least")
    said = str(value).rpartition(" ")[2]
    return said if said in UNIT_KEYS else "L"


def step(value: Any) -> tuple[Fraction, str]:
    """How fine a blend is measured out: the figure and its unit."""
    volume(value)
    figure, _, said = str(value).partition(" ")
    return Fraction(figure), said


def aim(value: Any) -> str:
    """What is sought."""
    if value not in ("cheapest", "closest"):
        raise WrongError(f"wanted `cheapest` or `closest`, seen {seen(value)}")
    return str(value)


def claims(value: Any) -> tuple[str, ...] | None:
    """The statements to keep; None for all that a blend decides."""
    if value is True:
        return None
    return () if value is False else texts(value)


def endpoints(value: Any) -> tuple[dict[str, Any], ...]:
    """What a candidate draws on, as a `blend` event has it."""
    listed = value if isinstance(value, list) else [value]
    return tuple(each if isinstance(each, dict) else endpoint(text(each)) for each in listed)


def seen(value: Any) -> str:
    """What stands there, in words."""
    bare = isinstance(value, (int, Fraction)) or type(value).__name__ == "float"
    return f"the bare number {value}" if bare else f"`{value}`"
