"""What is registered of a barrel's making."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def wood(vessel: Mapping[str, Any]) -> str | None:
    """Wood and origin in words; None where neither is known."""
    made = vessel.get("cooperage") or {}
    return ", ".join(str(made[key]) for key in ("wood", "origin") if made.get(key)) or None


def first_filled(vessel: Mapping[str, Any]) -> int | None:
    """The year in which it was first filled; None where it is not known."""
    text = str((vessel.get("cooperage") or {}).get("first_filled") or "")[:4]
    return int(text) if text.isascii() and text.isdigit() else None
