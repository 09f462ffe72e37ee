"""Rule packs: the law of labels as data, read from ``rulepacks/*.toml`` and checked.

What a pack may say stands in ``law``. A pack may build on another (``base``): it has the other's
rules under its own name, but for those that it overrides or drops. A pack of another country
brings its ``home`` packs with it: what is sold abroad must satisfy the law of where it is from.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Sequence, Set
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any, TypeVar

from msgspec import ValidationError, convert
from msgspec.structs import asdict

from ampelog.errors import Finding, Refused
from ampelog.grapes import Grapes, NotAListError
from ampelog.law import STATEMENT, Base, Dimension, Pack, Rule, Stated
from ampelog.resources import folder
from ampelog.terms import Example, Figure, Part, When

__all__ = [
    "STATEMENT",
    "Dimension",
    "Example",
    "Pack",
    "Part",
    "Rule",
    "When",
    "known",
    "markets",
    "pack",
    "read",
]

T = TypeVar("T")
_SURENESS = "LMH"
"""How sure the reading of a rule is, from the least."""


def known() -> tuple[str, ...]:
    """The packs of this version, by their names in a label's ``market``."""
    return tuple(sorted(path.stem for path in folder("rulepacks").glob("*.toml")))


@cache
def pack(name: str) -> Pack:
    """The pack of that name. Refused where this version has none."""
    if name not in known():
        raise Refused(
            f"there is no rule pack `{name}` in this version",
            hint=f"the packs are: {', '.join(known())}",
        )
    return read(folder("rulepacks") / f"{name}.toml")


def markets(names: Sequence[str]) -> tuple[tuple[Pack, ...], tuple[str, ...]]:
    """The packs of these markets with their home law, which comes first, and the markets that this
    version has no pack for."""
    once = tuple(dict.fromkeys(names))
    have = set(known())
    found: dict[str, Pack] = {}
    for name in once:
        if name in have:
            asked = pack(name)
            for each in (*asked.home, name):
                found.setdefault(each, pack(each))
    return tuple(found.values()), tuple(name for name in once if name not in have)


def files() -> dict[str, bytes]:
    """All the files that packs are read from, by file name."""
    found = (path for path in folder("rulepacks").iterdir() if path.suffix in (".toml", ".csv"))
    return {path.name: path.read_bytes() for path in sorted(found)}


def sources(names: Iterable[str]) -> dict[str, bytes]:
    """The files that these packs are read from, with those they build on and their lists of names,
    by file name."""
    found: dict[str, bytes] = {}
    ahead = list(names)
    while ahead:
        file = f"{ahead.pop()}.toml"
        if file in found:
            continue
        found[file] = (folder("rulepacks") / file).read_bytes()
        stated = tomllib.loads(found[file].decode())
        ahead += [stated["base"]["pack"]] if "base" in stated else []
        if "names" in stated:
            listed = stated["names"]["file"]
            found[listed] = (folder("rulepacks") / listed).read_bytes()
    return dict(sorted(found.items()))


def read(path: Path) -> Pack:
    """Read and check one pack file. Refused with every problem found, each where it stands."""
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except tomllib.TOMLDecodeError as problem:
        raise _refused(path, [_finding(path, "", f"is no TOML: {problem}")]) from None
    try:
        stated = of(data, Stated)
    except ValidationError as problem:
        raise _refused(path, _problems(path, data) or [_told(path, "", problem)]) from None
    if stated.id != path.stem:
        says = f"the pack's id is `{stated.id}`, wanted the file's name, `{path.stem}`"
        raise _refused(path, [_finding(path, "id", says)])
    found = Pack(**asdict(stated))
    if found.base is not None:
        found = _built(path, found, found.base, data.keys())
    elif any(rule.overrides for rule in found.rule):
        says = "`overrides` is for a pack with a `base`"
        raise _refused(path, [_finding(path, "rule", says)])
    if found.names is None:
        return found
    source = path.parent / found.names.file
    try:
        grapes = Grapes.read(source, found.names.spellings, found.names.apart)
    except (OSError, NotAListError) as problem:
        raise _refused(path, [_finding(source, "", str(problem))]) from None
    return found.but(grapes=grapes)


def of(data: object, kind: type[T]) -> T:
    """A record of a pack, from what stands there; ``ValidationError`` where it may not, which tells
    the first thing wrong."""
    return convert(data, kind, builtin_types=(date,), dec_hook=_exact)


def _exact(kind: type, text: object) -> Figure:
    """A number as ``terms`` has it."""
    assert issubclass(kind, Figure), "everything else in a pack is plain"
    return kind.read(text)


def _built(path: Path, found: Pack, base: Base, own: Set[str]) -> Pack:
    """A pack with the rules of its base under its own name; ``own`` are the keys that it says."""
    source = path.parent / f"{base.pack}.toml"
    if not source.is_file():
        raise _refused(path, [_finding(path, "base", f"there is no pack `{base.pack}`")])
    below = read(source)
    mine = {rule.overrides for rule in found.rule if rule.overrides} | set(base.drop)
    strange = mine - {rule.id for rule in below.rule}
    if strange:
        says = f"`{base.pack}` has no rule `{min(strange)}` to override or drop"
        raise _refused(path, [_finding(path, "base", says)])
    kept = [_adopted(found, base, rule) for rule in below.rule if rule.id not in mine]
    twice = {rule.id for rule in kept} & {rule.id for rule in found.rule}
    if twice:
        says = f"`{min(twice)}` stands in the base too; say that it `overrides` the base's rule"
        raise _refused(path, [_finding(path, min(twice), says)])
    fields = ("groups", "year_shift", "example_places", "example_within", "example_spans")
    shared: dict[str, Any] = {name: getattr(below, name) for name in fields if name not in own}
    rules = (*kept, *found.rule)
    return found.but(**shared, names=found.names or below.names, rule=rules)


def _adopted(found: Pack, base: Base, rule: Rule) -> Rule:
    sure = min(rule.confidence, base.confidence, key=_SURENESS.index)
    return rule.but(
        id=found.id + rule.id.removeprefix(base.pack),
        cite=f"{rule.cite}; {base.cite}",
        confidence=sure,
    )


def _problems(path: Path, data: dict[str, Any]) -> list[Finding]:
    """What is wrong with each of a pack's rules, the first thing of each."""
    stated = data.get("rule")
    found = []
    for number, rule in enumerate(stated if isinstance(stated, list) else (), 1):
        try:
            of(rule, Rule)
        except ValidationError as problem:
            named = rule.get("id") if isinstance(rule, dict) else None
            found.append(_told(path, str(named or f"rule {number}"), problem))
    return found


def _told(path: Path, where: str, problem: ValidationError) -> Finding:
    says, _, field = str(problem).partition(" - at `$")
    return _finding(path, (where + field.rstrip("`")).lstrip("."), says)


def _finding(path: Path, where: str, says: str) -> Finding:
    place = f"{path.name}: {where}" if where else path.name
    return Finding("rule pack", place, says, "mend the rule pack")


def _refused(path: Path, findings: list[Finding]) -> Refused:
    return Refused(f"the rule pack `{path.name}` cannot be used", findings)
