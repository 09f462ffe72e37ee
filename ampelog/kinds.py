"""What each kind of event does to the cellar: one function a kind.

Movements say what they draw and what they fill; the arithmetic is that of ``movement``. What
cannot have happened raises ``CannotHave``; what only looks odd is noted as a finding.
"""

from __future__ import annotations

from collections.abc import Callable

from ampelog.arrivals import pick, receive, return_
from ampelog.bottles import bottle, pack
from ampelog.cellar import Cellar
from ampelog.inplace import about, clear, ferment, gauge, hold, loss, reading, treat
from ampelog.removals import release, ship
from ampelog.renaming import register
from ampelog.steps import Step
from ampelog.transfers import crush, movement, press


def nothing(cellar: Cellar, step: Step) -> None:
    """A kind that does nothing to the cellar."""
    del cellar, step


APPLY: dict[str, Callable[[Cellar, Step], None]] = {
    **dict.fromkeys(("rack", "barrel_down", "top", "blend"), movement),
    **dict.fromkeys(
        ("place", "block", "premises", "party", "material", "vessel", "label"), nothing
    ),
    **dict.fromkeys(("analysis", "note"), about),
    "lot": register,
    "pick": pick,
    "receive": receive,
    "crush": crush,
    "press": press,
    "treat": treat,
    "gauge": gauge,
    "loss": loss,
    "bottle": bottle,
    "pack": pack,
    "ship": ship,
    "return": return_,
    "ferment": ferment,
    "reading": reading,
    "hold": hold,
    "clear": clear,
    "release": release,
}
