"""What a one-page card is made from."""

from __future__ import annotations

from dataclasses import dataclass

from shapely.geometry.base import BaseGeometry


@dataclass(frozen=True)
class CardItem:
    """One thing to set or to leave open.

    Parameters
    ----------
    role
        ``pocket``, ``group`` or ``motion``.
    shape
        Metres east and north of the hide, true north up.
    count
        Decoys, None for the pocket.
    bearing_magnetic_deg
        None where no date was given.
    line_m, depth_m
        None where no depth is known.
    afloat
        Whether the water is too deep to wade: no paces are given.
    """

    role: str
    name: str
    shape: BaseGeometry
    bearing_true_deg: float
    bearing_magnetic_deg: float | None
    range_m: float
    count: int | None = None
    kinds: str = ""
    line_m: float | None = None
    depth_m: float | None = None
    afloat: bool = False


@dataclass(frozen=True)
class CardLeg:
    """A straight line from a way in to the hide; not a path.

    Parameters
    ----------
    name
        The way in.
    usng
        Where it starts, as a US National Grid reference.
    bearing_true_deg, bearing_magnetic_deg
        Toward the hide; the magnetic one None where no date was given.
    range_m
        Its length.
    """

    name: str
    usng: str
    bearing_true_deg: float
    bearing_magnetic_deg: float | None
    range_m: float


@dataclass(frozen=True)
class CardContent:
    """Everything the card shows; shapes in metres from the hide, true north up.

    Parameters
    ----------
    headline
        Why this layout, or why there is no spread.
    refused
        Whether there is none.
    wind_from_deg
        True bearing the wind comes from; None in a calm.
    declination
        Declination, its date and its model in words; None where no date was given.
    decoys
        Single decoys, (east, north).
    land
        Land about the hide; empty where no water was mapped.
    way_in
        The line birds come in by, (east, north), from afar to the pocket; empty where none is
        claimed.
    no_fire
        Arcs of no fire, (from, to) in true degrees clockwise.
    sun_heading, sun
        What the times are of, and a line each.
    notes
        Sections of sentences in the order of their weight: (heading, sentences).
    """

    title: str
    blind: str
    headline: str
    refused: bool
    wind_words: str
    wind_from_deg: float | None
    facing_deg: float
    date: str | None
    declination: str | None
    declination_deg: float | None
    lat: float
    lon: float
    usng: str
    items: tuple[CardItem, ...]
    decoys: tuple[tuple[float, float], ...]
    land: BaseGeometry
    no_fire: tuple[tuple[float, float], ...]
    legs: tuple[CardLeg, ...]
    sun: tuple[str, ...]
    notes: tuple[tuple[str, tuple[str, ...]], ...]
    way_in: tuple[tuple[float, float], ...] = ()
    sun_heading: str = "Sun, not shooting hours"
    pace_m: float = 0.75
    take_up: int = 0
