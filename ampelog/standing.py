"""Where things stand: the premises of a vessel on a day (EVENTS.md, `premises`)."""

from __future__ import annotations

from ampelog.registers import Registers


def premises_of(
    registers: Registers, vessel: str | None, first_used: int, instant: int
) -> str | None:
    """The premises of a vessel at an instant; None where nobody knows.

    Until a second premises is registered everything stands at home. From then on a vessel keeps
    the place it had, and one first used later that names none stands nobody knows where. Fruit
    and wine without a vessel are said to stand at home; bottles without one stand where they were
    filled, which is not asked here.
    """
    home, second = _home_and_second(registers)
    if second is None or instant < second or vessel is None:
        return home
    named = registers.at("vessel", vessel, instant).get("premises")
    if named is not None:
        return str(named)
    return home if first_used < second else None


def only_premises(registers: Registers, instant: int) -> str | None:
    """The home premises where there are no others yet; None where it might be elsewhere."""
    home, second = _home_and_second(registers)
    return home if second is None or instant < second else None


def _home_and_second(registers: Registers) -> tuple[str | None, int | None]:
    """The home premises, and the instant at which a second was registered."""
    names = registers.names("premises")
    if not names:
        return None, None
    opened = {name: registers.changes("premises", name)[0] for name in names}
    home = min(opened, key=lambda name: opened[name])
    return home, min((when for name, when in opened.items() if name != home), default=None)
