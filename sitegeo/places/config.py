"""PLACE.toml: the keys a person may write, and what each means."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal, Self
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    create_model,
    model_validator,
)
from pyproj import CRS
from pyproj.exceptions import ProjError

from sitegeo.core.grid import require_metric
from sitegeo.core.inputs import RASTER_ROLES, ROLES, VECTOR_ROLES, WADE_M
from sitegeo.core.models import read_toml
from sitegeo.core.typing import Bounds
from sitegeo.errors import CrsError, PlaceError

VECTOR_REACH_M = 2000.0
"""Vectors are read this far beyond the photo, where a house still has a setback; judgement."""


class Table(BaseModel):
    """A table of a file a person writes: no key but those known, no number that is none."""

    # Built when first read: a ranking reads two of these tables.
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, defer_build=True)


class LayerSource(Table):
    """A file, the layer in it where it holds several, and an attribute filter."""

    path: str = Field(min_length=1)
    layer: str | None = None
    where: str | None = None


def _source(value: object) -> object:
    if isinstance(value, str):
        return {"path": value}
    if not isinstance(value, dict | LayerSource):
        raise ValueError('must be a path, or {path = "…", layer = "…"}')
    return value


LayerEntry = Annotated[LayerSource, BeforeValidator(_source)]


if TYPE_CHECKING:  # made from the one list of inputs, which a type checker cannot read

    class LayersBeside(Table):
        """Files of a place or region beside its photo, by role; none is required."""

    class Layers(LayersBeside):
        """Files of the place; only imagery is required."""

    Role = str

else:
    Role = Literal[*ROLES]
    LayersBeside = create_model(
        "LayersBeside",
        __base__=Table,
        **dict.fromkeys((*VECTOR_ROLES, *RASTER_ROLES), (LayerEntry | None, None)),
    )
    Layers = create_model("Layers", __base__=LayersBeside, imagery=(LayerEntry, ...))


def _day_or_time(value: object) -> object:
    if isinstance(value, date):  # a datetime is one too
        return value.isoformat()
    if isinstance(value, str):
        try:
            datetime.fromisoformat(value)
        except ValueError:
            raise ValueError("must be an ISO 8601 date or time") from None
    return value


def _west_south_east_north(area: Bounds) -> Bounds:
    west, south, east, north = area
    if not (-180 <= west < east <= 180 and -90 <= south < north <= 90):
        raise ValueError("write west, south, east, north in degrees")
    return area


Box = Annotated[Bounds, AfterValidator(_west_south_east_north)]


class Imagery(Table):
    """How to read the photo: band names in file order, its date, the finest pixel to work at.

    `finest_m` of half a metre is judgement: finer pixels say little more about cover and cost time.
    """

    bands: tuple[Literal["red", "green", "blue", "nir", "alpha", "other"], ...] | None = None
    taken: Annotated[str | None, BeforeValidator(_day_or_time)] = None
    finest_m: float = Field(default=0.5, gt=0, le=100)


class Assume(Table):
    """What to take for granted where a layer is silent; the defaults are judgement.

    Parameters
    ----------
    canopy_height_m, canopy_height_error_m
        How tall trees are where no canopy layer says so, and how far off that may be.
    leaf_off
        Whether broadleaf trees are bare; None where it is not known.
    water_level_m
        Height of the water, in the datum of the place.
    position_error_m
        How far off the features of a layer may be, by role, in place of `law.context`'s.
    complete
        Layers in which everything has been mapped: true for the whole place, or the area (west,
        south, east, north in degrees) in which it has.
    dwelling_outline
        What the outlines of the dwellings layer follow.
    current_mps
        How fast the water flows; None where it is not known.
    """

    canopy_height_m: float = Field(default=12.0, ge=0, le=100)
    canopy_height_error_m: float = Field(default=4.0, ge=0)
    leaf_off: bool | None = None
    water_level_m: float | None = None
    position_error_m: dict[Role, Annotated[float, Field(ge=0)]] = Field(default_factory=dict)
    complete: dict[Role, bool | Box] = Field(default_factory=dict)
    dwelling_outline: Literal["wall", "grounds", "property line"] = "wall"
    current_mps: float | None = Field(default=None, ge=0, le=10)


class GearKeys(Table):
    """What the party carries; the defaults are practice.

    Parameters
    ----------
    decoys
        Decoys in the bag.
    dark, white, geese, small
        How many of them are dark, have much white, are geese, or are small ones.
    motion
        Motion decoys beside the count.
    far_group
        Whether some are set far out to hold distant birds.
    pace_m
        Length of a step, for distances paced in the dark.
    wade_m
        Deepest water that the person wades.
    party
        Guns.
    load
        What they shoot, such as ``"steel 2"``; None takes a long-ranged one.
    boat_wave_m
        Highest wave the boat is taken through; None where it is not said.
    """

    decoys: int = Field(default=36, ge=0, le=120)
    dark: int | None = Field(default=None, ge=0)
    white: int | None = Field(default=None, ge=0)
    geese: int | None = Field(default=None, ge=0)
    small: int | None = Field(default=None, ge=0)
    motion: int = Field(default=1, ge=0)
    far_group: bool = False
    pace_m: float = Field(default=0.75, gt=0.3, lt=1.5)
    wade_m: float = Field(default=WADE_M, ge=0, le=1.5)
    party: int = Field(default=2, ge=1, le=6)
    load: str | None = None
    boat_wave_m: float | None = Field(default=None, gt=0, le=5)


Giver = Literal["occupant", "owner", "landowner"]


class Permission(Table):
    """A permission someone gave: who, for which building or ground, when, and if in writing.

    `latitude` and `longitude` are at the building of an occupant or owner, or in the middle of the
    ground a landowner gave leave to stand on, `within_m` around it. `rules` are the ids of the
    rules it lifts, by default all that this giver may lift.
    """

    by: Giver
    name: str = Field(min_length=1)
    given: date
    until: date | None = None
    written: bool = False
    latitude: float = Field(ge=-90, le=90)
    longitude: float = Field(ge=-180, le=180)
    within_m: float | None = Field(default=None, gt=0, le=5000)
    rules: tuple[str, ...] = ()

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if (self.by == "landowner") != (self.within_m is not None):
            raise ValueError(
                "within_m goes with a landowner's permission, how far the ground reaches, and "
                "with no other"
            )
        if self.until and self.until < self.given:
            raise ValueError("until comes before given")
        return self

    def holds_on(self, on: date | None) -> bool:
        """Return whether it holds on a day; without a day only one with no end does."""
        if on is None:
            return self.until is None
        return self.given <= on <= (self.until or date.max)


Bearing = Annotated[float, Field(ge=0, le=360)]


class LawKeys(Table):
    """The law file, what a person wrote of it, and arcs of fire they keep closed.

    `confirmed` is the day the person confirmed the law is theirs; never written by sitegeo.
    `no_fire` are arcs, true bearings clockwise, in which nobody will shoot; `other_hides` are
    latitudes and longitudes of hides that others may sit in.
    """

    file: str | None = None
    confirmed: date | None = None
    permissions: tuple[Permission, ...] = ()
    no_fire: tuple[tuple[Bearing, Bearing], ...] = ()
    other_hides: tuple[
        tuple[Annotated[float, Field(ge=-90, le=90)], Annotated[float, Field(ge=-180, le=180)]], ...
    ] = ()


def _known_zone(name: str) -> str:
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise ValueError("no such time zone; write for example America/Chicago") from None
    return name


def _metric(text: str) -> str:
    try:
        require_metric(CRS.from_user_input(text))
    except (ProjError, CrsError) as error:
        words = error.what if isinstance(error, CrsError) else "no such CRS"
        raise ValueError(f"{words}; write for example EPSG:32617") from None
    return text


class PlaceKeys(Table):
    """Where the place is and how its heights and clock are kept."""

    zone: Annotated[str, AfterValidator(_known_zone)] | None = None
    crs: Annotated[str, AfterValidator(_metric)] | None = None
    area: Box | None = None
    vertical_datum: str | None = None
    stage_m: float | None = None


class Credit(Table):
    """Whose data a layer is, and on what terms; shown wherever the layer is."""

    layers: tuple[str, ...] = Field(min_length=1)
    source: str = Field(min_length=1)
    attribution: str = Field(min_length=1)
    licence: str = Field(min_length=1)
    url: str | None = None
    taken: Annotated[str | None, BeforeValidator(_day_or_time)] = None
    gathered: Annotated[str | None, BeforeValidator(_day_or_time)] = None

    @property
    def words(self) -> str:
        """Return it as it is printed on a map."""
        named = ", ".join(name.replace("_", " ") for name in self.layers)
        return f"{named}: {self.attribution} ({self.licence})"


class PlaceFile(Table):
    """The whole of PLACE.toml."""

    title: str = Field(min_length=1)
    layers: Layers
    imagery: Imagery = Imagery()
    assume: Assume = Assume()
    gear: GearKeys = GearKeys()
    law: LawKeys = LawKeys()
    place: PlaceKeys = PlaceKeys()
    classes: dict[Literal["landcover"], dict[str, str]] = Field(default_factory=dict)
    credit: tuple[Credit, ...] = ()


def read_place_file(path: Path) -> PlaceFile:
    """Return the checked contents of a PLACE.toml.

    Raises
    ------
    PlaceError
        Naming every unknown key with the nearest known one, and every bad value.
    """
    return read_toml(path, PlaceFile, PlaceError)
