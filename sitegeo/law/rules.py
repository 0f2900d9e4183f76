"""Rules as data: LAW.toml.

Nothing here is legal advice. Current local law, the landowner and the managing agency decide.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date, time
from pathlib import Path
from typing import Annotated, Any, Literal, Self, get_args

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

from sitegeo.core.models import read_toml
from sitegeo.errors import LawError
from sitegeo.places.config import Giver
from sitegeo.units import metres

Target = Literal[
    "dwelling", "occupied building", "school", "livestock building", "building", "road"
]
MeasuredFrom = Literal[
    "wall", "grounds", "property line", "pavement edge", "centreline", "right-of-way"
]
Weapon = Literal["firearm", "bow", "crossbow"]
Ground = Literal["any", "paved road", "private land"]
Weekday = Literal["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"]
SunEvent = Literal["civil dawn", "sunrise", "sunset", "civil dusk"]
Event = Literal["civil dawn", "sunrise", "sunset", "civil dusk", "shooting start", "shooting end"]

RULE_TARGETS: tuple[Target, ...] = get_args(Target)
"""All that a rule of distance may be about."""
WEEKDAYS: tuple[Weekday, ...] = get_args(Weekday)
"""In the order of `date.weekday`."""
BUILDING_LINES: tuple[MeasuredFrom, ...] = ("wall", "grounds", "property line")
"""Lines a building's rule is measured from, from the inside out."""
EXAMPLES_FOLDER = Path(__file__).parent / "shipped"
"""Where the example laws lie."""


def _several(value: object) -> object:
    return (value,) if isinstance(value, str | Mapping) else value


def _one_or_more(of: Any, *, least: int = 0) -> Any:
    """Return the type of a value or a list of them, as the JSON Schema has it too."""
    read = BeforeValidator(_several, json_schema_input_type=of | tuple[of, ...])
    return Annotated[tuple[of, ...], read, Field(min_length=least)]


Words = Annotated[str, Field(min_length=1)]
Minutes = Annotated[float, Field(strict=True, allow_inf_nan=False)]
WidthM = Annotated[float, Field(strict=True, gt=0, le=500)]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)


class _InForce(_Table):
    """Days on which something holds: all, unless dates or weekdays are written."""

    effective_from: date | None = None
    effective_to: date | None = None

    def in_force(self, on: date | None) -> bool:
        """Return whether it holds on a day; taken to hold where no day is given."""
        first, last = self.effective_from or date.min, self.effective_to or date.max
        return on is None or first <= on <= last

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.effective_from and self.effective_to and self.effective_to < self.effective_from:
            raise ValueError("effective_to comes before effective_from")
        return self


class DistanceRule(_InForce):
    """One ``[[distance]]``: keep this far from that.

    `limit` and `unit` are as the statute writes them. `target`, `weapon`, `applies_on` and
    `permission_by` take one word or a list. A limit of 0 says that there is a rule for the target
    and it asks for no distance. `geometry` is a disc; a sector, where only shots toward the target
    count; or a corridor, the strip on both sides of a road. `permission` is the statute's words,
    `permission_by` who may give it: occupant or owner of the building, or the owner of the land
    that the person stands on.
    """

    id: Words
    citation: Words
    target: _one_or_more(Target, least=1)  # type: ignore[valid-type]
    limit: Annotated[float, Field(strict=True, ge=0, allow_inf_nan=False)]
    unit: Literal["ft", "yd", "mi", "m", "km"]
    measured_from: MeasuredFrom
    geometry: Literal["disc", "sector", "corridor"] = "disc"
    weapon: _one_or_more(Weapon, least=1) = ("firearm",)  # type: ignore[valid-type]
    applies_on: _one_or_more(Ground, least=1) = ("any",)  # type: ignore[valid-type]
    permission: Words = "none"
    permission_by: _one_or_more(Giver) = ()  # type: ignore[valid-type]
    permission_written: StrictBool = False
    verify: StrictBool = True

    @property
    def limit_m(self) -> float:
        """The limit in metres."""
        return metres(self.limit, self.unit)

    @property
    def of_roads(self) -> bool:
        """Whether the rule is about roads rather than buildings."""
        return "road" in self.target

    @property
    def private_land_only(self) -> bool:
        """Whether the rule is silent on public ground."""
        return "private land" in self.applies_on

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.of_roads and len(self.target) > 1:
            raise ValueError("a rule about roads names no other target: write two rules")
        if self.of_roads == (self.measured_from in BUILDING_LINES):
            raise ValueError(
                f"a {self.target[0]} rule is not measured from '{self.measured_from}': buildings "
                "from the wall, grounds or property line, roads from the pavement edge, "
                "centreline or right-of-way"
            )
        if "any" in self.applies_on and len(self.applies_on) > 1:
            raise ValueError("applies_on is 'any', or what the rule is limited to")
        if not self.of_roads and "paved road" in self.applies_on:
            raise ValueError("only a rule about roads can be limited to a 'paved road'")
        if not self.of_roads and self.geometry == "corridor":
            raise ValueError("a corridor runs along a road: a building has a disc or a sector")
        if self.of_roads and set(self.permission_by) - {"landowner"}:
            raise ValueError("a rule about roads is lifted by the landowner or nobody")
        if self.permission_by and self.permission == "none":
            raise ValueError("permission_by needs the statute's words in permission")
        if self.permission_written and not self.permission_by:
            raise ValueError("permission_written needs permission_by")
        return self


class Moment(_Table):
    """A time of the day, in minutes from an event (negative is before)."""

    event: Event
    minutes: Minutes = 0.0


class TextRule(_InForce):
    """One ``[[text]]``: a rule that is not a distance, repeated in words.

    A `season` or `zone` is open on its effective dates; `closed days` name weekdays. `earliest`
    and `latest` are a time of the place's clock or an event of the day and minutes from it.
    """

    topic: Words
    words: Words
    dates: str | None = None
    days: _one_or_more(Weekday) = ()  # type: ignore[valid-type]
    earliest: Moment | time | None = None
    latest: Moment | time | None = None
    citation: str | None = None
    verify: StrictBool = True


class HoursRule(_InForce):
    """``[hours]``: shooting hours, in minutes from an event of the sun (negative is before).

    `not_before` and `not_after` are times of the place's clock, for a noon opening and the like.
    Of several that hold on a day the latest opening and the earliest close count.
    """

    opens: SunEvent = "sunrise"
    opens_min: Minutes
    closes: SunEvent = "sunset"
    closes_min: Minutes
    not_before: time | None = None
    not_after: time | None = None
    citation: Words
    verify: StrictBool = True


class Law(_Table):
    """The rules of one place, on the day they were read.

    `road_width_m` and `right_of_way_m` are full widths by road class, where a layer gives none.
    `chosen` is never in the file: a law is chosen by the person, through `as_chosen`.
    """

    title: Words
    place: Words
    read_on: date
    distance: tuple[DistanceRule, ...] = ()
    text: tuple[TextRule, ...] = ()
    hours: _one_or_more(HoursRule) = ()  # type: ignore[valid-type]
    road_width_m: dict[str, WidthM] = Field(default_factory=dict)
    right_of_way_m: dict[str, WidthM] = Field(default_factory=dict)
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
    return law.as_example() if path.resolve().parent == EXAMPLES_FOLDER.resolve() else law


def law_schema() -> dict[str, Any]:
    """Return the JSON Schema (2020-12) of LAW.toml; dates and times as ISO 8601 text."""
    schema = {"$schema": "https://json-schema.org/draft/2020-12/schema"}
    return schema | Law.model_json_schema(mode="validation")
