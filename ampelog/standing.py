"""Where things stand: the premises of a vessel on a day (EVENTS.md, `premises`)."""

from __future__ import annotations

from ampelog.registers import Registers


def premises_of(
    registers: Registers, vessel: str | None, first_used: int, instant: int
) -> str | None:
    """The premises of a vessel at an instant; None where nobody knows.

    Until a second premises is registered everything stands at home. From then on a vessel keeps
    the place it had, and one first used later that names none stands nobody knows where. What has
    no vessel is said to stand at home.
    """
    names = registers.names("premises")
    if not names:
        return None
    opened = {name: registers.changes("premises", name)[0] for name in names}
    home = min(opened, key=lambda name: opened[name])
    second = min((when for name, when in opened.items() if name != home), default=None)
    if second is None or instant < second or vessel is None:
        return home
    named = registers.at("vessel", vessel, instant).get("premises")
    if named is not None:
        return str(named)
    return home if first_used < second else None
