"""Where things stand: the premises of a vessel on a day (EVENTS.md, `premises`)."""

from __future__ import annotations

from ampelog.registers import Registers


class Standing:
    """Where vessels stand, by registers that have all the premises.

    Until a second premises is registered everything stands at home. From then on a vessel keeps
    the place it had, and one first used later that names none stands nobody knows where. Fruit
    and wine without a vessel are said to stand at home; bottles without one stand where they were
    filled, which is not asked here.
    """

    def __init__(self, registers: Registers) -> None:
        self._registers = registers
        names = registers.names("premises")
        opened = {name: registers.changes("premises", name)[0] for name in names}
        self.home = min(opened, key=lambda name: opened[name], default=None)
        others = (when for name, when in opened.items() if name != self.home)
        self._second = min(others, default=None)

    def alone(self, instant: int) -> bool:
        """Whether there are no premises but home yet."""
        return self._second is None or instant < self._second

    def premises(self, vessel: str | None, first_used: int, instant: int) -> str | None:
        """The premises of a vessel at an instant; None where nobody knows."""
        if vessel is None or self.alone(instant):
            return self.home
        named = self._registers.at("vessel", vessel, instant).get("premises")
        if named is not None:
            return str(named)
        return self.home if self.alone(first_used) else None
