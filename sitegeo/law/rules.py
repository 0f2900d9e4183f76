"""Setback rules as data: LAW.toml, the example files that ship, and the strictest of them.

Nothing here is legal advice. The shipped files are examples to copy and check; current local
law, the landowner and the managing agency decide.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date
from importlib import resources
from pathlib import Path
from typing import Annotated, Literal, Self, get_args

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PrivateAttr,
    StrictBool,
    field_validator,
    model_validator,
)

from sitegeo.errors import LawError
from sitegeo.tomlfile import read_toml
from sitegeo.units import metres

Target = Literal[
    "dwelling", "occupied building", "school", "livestock building", "building", "road"
]
MeasuredFrom = Literal["wall", "pavement edge", "centreline", "right-of-way"]
Weapon = Literal["firearm", "bow", "crossbow"]

TARGETS: tuple[Target, ...] = get_args(Target)
_EXAMPLES = resources.files("sitegeo.law") / "rules"


def _several(value: object) -> object:
    return (value,) if isinstance(value, str) else value


Words = Annotated[str, Field(min_length=1)]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class DistanceRule(_Table):
    """One ``[[distance]]``: keep this far from that.

    `limit` and `unit` are as the statute writes them. `target` and `weapon` take one word or a
    list. A limit of 0 says that there is a rule for the target and it asks for no distance.
    """

    id: Words
    citation: Words
    target: Annotated[tuple[Target, ...], BeforeValidator(_several), Field(min_length=1)]
    limit: Annotated[float, Field(strict=True, ge=0, allow_inf_nan=False)]
    unit: Literal["ft", "yd", "mi", "m", "km"]
    measured_from: MeasuredFrom
    geometry: Literal["disc", "sector", "corridor"] = "disc"
    weapon: Annotated[tuple[Weapon, ...], BeforeValidator(_several), Field(min_length=1)] = (
        "firearm",
    )
    applies_on: Literal["any", "paved road", "private land"] = "any"
    permission: Words = "none"
    effective_from: date | None = None
    effective_to: date | None = None
    verify: StrictBool = True

    @property
    def limit_m(self) -> float:
        """The limit in metres."""
        return metres(self.limit, self.unit)

    @property
    def of_roads(self) -> bool:
        """Whether the rule is about roads rather than buildings."""
        return "road" in self.target

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.of_roads and len(self.target) > 1:
            raise ValueError("a rule about roads names no other target: write two rules")
        if self.of_roads == (self.measured_from == "wall"):
            raise ValueError(
                f"a {self.target[0]} rule is not measured from '{self.measured_from}': buildings "
                "from the wall, roads from the pavement edge, centreline or right-of-way"
            )
        if self.effective_from and self.effective_to and self.effective_to < self.effective_from:
            raise ValueError("effective_to comes before effective_from")
        return self


class TextRule(_Table):
    """One ``[[text]]``: a rule that is not a distance, repeated in words."""

    topic: Words
    words: Words
    dates: str | None = None
    citation: str | None = None


class Hours(_Table):
    """``[hours]``: shooting hours, in minutes from an event of the sun (negative is before)."""

    opens: Literal["sunrise", "civil dawn"] = "sunrise"
    opens_min: Annotated[float, Field(strict=True, allow_inf_nan=False)]
    closes: Literal["sunset", "civil dusk"] = "sunset"
    closes_min: Annotated[float, Field(strict=True, allow_inf_nan=False)]
    citation: Words
    verify: StrictBool = True


class Law(_Table):
    """The rules of one place, on the day they were read.

    `chosen` is never in the file: a law is chosen by the person, through `as_chosen`.
    """

    title: Words
    place: Words
    read_on: date
    distance: tuple[DistanceRule, ...] = ()
    text: tuple[TextRule, ...] = ()
    hours: Hours | None = None
    _chosen: bool = PrivateAttr(default=False)
    _example: bool = PrivateAttr(default=False)

    @field_validator("distance")
    @classmethod
    def _ids_unique(cls, rules: tuple[DistanceRule, ...]) -> tuple[DistanceRule, ...]:
        ids = [rule.id for rule in rules]
        twice = sorted({i for i in ids if ids.count(i) > 1})
        if twice:
            raise ValueError(f"rule ids must differ; used twice: {', '.join(twice)}")
        return rules

    @property
    def chosen(self) -> bool:
        """Whether a person chose this law."""
        return self._chosen

    @property
    def example(self) -> bool:
        """Whether this is a shipped example, or made of them."""
        return self._example

    def as_chosen(self) -> Law:
        """Return this law as the person's own; raises `LawError` for a shipped example."""
        if self._example:
            raise LawError(
                "a shipped example is never a chosen law",
                where=self.title,
                remedy="Copy the file, correct it against the current law of your place, and "
                "give the copy with --law",
            )
        law = self.model_copy()
        law._chosen = True
        return law

    def as_example(self) -> Law:
        """Return this law marked as an example, which cannot be chosen."""
        law = self.model_copy()
        law._chosen, law._example = False, True
        return law

    def rules_for(
        self, targets: Iterable[Target], *, weapon: Weapon = "firearm"
    ) -> tuple[DistanceRule, ...]:
        """Return the rules about any of the targets, in the order of the file.

        Dates, ground and permission are not looked at, so a rule is rather kept than dropped.
        """
        wanted = set(targets)
        return tuple(r for r in self.distance if weapon in r.weapon and wanted & set(r.target))

    def rule_for(self, target: Target, *, weapon: Weapon = "firearm") -> DistanceRule | None:
        """Return the rule with the largest limit for a target, the first of equals, or none."""
        return max(self.rules_for([target], weapon=weapon), key=lambda r: r.limit_m, default=None)

    def distance_for(self, target: Target, *, weapon: Weapon = "firearm") -> float | None:
        """Return the largest limit for a target, as that rule measures it, or none."""
        rule = self.rule_for(target, weapon=weapon)
        return None if rule is None else rule.limit_m


def read_law(path: Path) -> Law:
    """Return the law in a LAW.toml; not chosen, and never to be if it is one that ships.

    Raises
    ------
    LawError
        Naming every fault of the file, with the nearest known key for an unknown one.
    """
    law = read_toml(path, Law, LawError)
    shipped = path.resolve().parent == Path(str(_EXAMPLES)).resolve()
    return law.as_example() if shipped else law


def shipped_laws() -> tuple[Law, ...]:
    """Return the example laws that travel with sitegeo, in the order of their file names."""
    files = sorted((f for f in _EXAMPLES.iterdir() if f.name.endswith(".toml")), key=str)
    laws = []
    for file in files:
        with resources.as_file(file) as path:
            laws.append(read_toml(path, Law, LawError).as_example())
    return tuple(laws)


def strictest(laws: Sequence[Law]) -> Law:
    """Return, as an example law, the strictest firearm rules of several laws.

    For each target class the rule asking the largest clearance from the target's outer edge,
    with no permission and on any surface. Roads differ in width, so two road rules measured
    from different lines are both kept unless one is the stricter at any width. The law's texts
    say which rule governs each target, and of how many.
    """
    reasons: list[TextRule] = []
    kept: dict[tuple[int, int], DistanceRule] = {}
    for target in TARGETS:
        among = {
            (n, k): rule
            for n, law in enumerate(laws)
            for k, rule in enumerate(law.distance)
            if target in rule.target and "firearm" in rule.weapon
        }
        for at, rule in among.items():
            if any(_outdoes(other, rule, first=key < at) for key, other in among.items()):
                continue
            kept[at] = rule
            reasons.append(
                TextRule(
                    topic="strictest",
                    words=f"{target}: {rule.limit:g} {rule.unit} from the {rule.measured_from} "
                    f"({laws[at[0]].place}), the largest of {len(among)} example rules",
                    citation=rule.citation,
                )
            )
    return Law(
        title="Strictest of the example rules",
        place="no place in particular",
        read_on=min((law.read_on for law in laws), default=date.min),
        distance=_named_apart([kept[at] for at in sorted(kept)]),
        text=tuple(reasons),
    ).as_example()


# From the same limit, a line further out asks more of the road's outer edge, at any width.
_OUTWARD: dict[MeasuredFrom, int] = {
    "centreline": 0,
    "pavement edge": 1,
    "right-of-way": 2,
    "wall": 0,
}


def _outdoes(one: DistanceRule, other: DistanceRule, *, first: bool) -> bool:
    """Return whether `one` asks as much as `other` at any width, and more or came `first`."""
    a, b = ((_OUTWARD[r.measured_from], r.limit_m) for r in (one, other))
    return a[0] >= b[0] and a[1] >= b[1] and (a != b or first)


def _named_apart(rules: Sequence[DistanceRule]) -> tuple[DistanceRule, ...]:
    """Return the rules for any surface and without permission, equal ids numbered."""
    ids = [rule.id for rule in rules]
    named = [
        rule.model_copy(
            update={
                "id": rule.id if ids.count(rule.id) == 1 else f"{rule.id} [{n}]",
                "applies_on": "any",
                "permission": "none",
            }
        )
        for n, rule in enumerate(rules, start=1)
    ]
    return tuple(named)
