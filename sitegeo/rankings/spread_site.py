"""Where a spread is laid: the water before a hide of a survey, and the spread on it."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry

from sitegeo.core.typing import FloatArray
from sitegeo.core.wind import Wind
from sitegeo.siting.approach import approach_lines
from sitegeo.siting.stage import find_flooded_trees
from sitegeo.spreads import layouts
from sitegeo.spreads.decoys import DEEPEST_M, Gear
from sitegeo.spreads.fit import Depths
from sitegeo.spreads.frame import HideFrame
from sitegeo.spreads.place import SeasonPhase, find_refusal, place_spread
from sitegeo.spreads.result import Spread
from sitegeo.surveys.survey import Survey
from sitegeo.units import yd

NEAR_WATER = "near_water"
"""The layer of plan.gpkg with the water a spread was laid on."""

KEPT_WATER_M = 150.0
"""It is kept out to this far from the hide, farther than any spread reaches; judgement."""

APPROACH_DRAWN_M = yd(45.0)
"""The way birds come in is drawn this far from the middle of the pocket; judgement."""

LITTLE_ROOM = 0.6
"""With touchdown likely on less of the pocket than this a plan says so; judgement."""

_REACH_M = 250.0
"""Water is looked at within a square this far about the hide; judgement."""

_MIDDLING_OPENING_M = yd(26.0)
"""Width of a timber opening where none was measured; judgement."""

CALM_REASON = (
    "No wind: direction not predictable. The spread is even on both hands with the lane in front "
    "open; move it when a breeze comes."
)
CALM_TIMBER = (
    "No wind: direction not predictable. The stack lies straight out, beyond the pocket; move it "
    "round the edge when a breeze comes."
)
CALM_BARE = "No decoys, and no wind: direction not predictable."


@dataclass(frozen=True)
class SpreadSite:
    """What a spread is laid on: the hide's frame, the water round it, and what is carried.

    Parameters
    ----------
    frame
        Origin at the hide, y out over the water.
    facing_deg
        True bearing of y.
    kind
        Of the position.
    water, flooded
        Open water, and trees that stand in water, in the frame's CRS.
    opening_m
        Width of the timber opening.
    gear
        Decoys and how they are set.
    season
        Of the year, where a date is known.
    """

    frame: HideFrame
    facing_deg: float
    kind: str
    water: BaseGeometry
    flooded: BaseGeometry
    opening_m: float
    gear: Gear
    season: SeasonPhase | None = None

    def lay(self, layout: str, phi_deg: float, depth: Depths | None = None) -> Spread:
        """Return a layout on this site.

        Parameters
        ----------
        layout
            Its name.
        phi_deg
            Wind against the facing, degrees.
        depth
            Gives the depth at points, where it is known.

        Returns
        -------
        Spread
            Laid, or refused with the reason.
        """
        drawn = self._drawn(layout, phi_deg)
        return place_spread(drawn, self.frame, season=self.season, **self._given(depth))

    def why_refused(self, layout: str, phi_deg: float, depth: Depths | None = None) -> str | None:
        """Return why `lay` would lay nothing, None where it lays a spread.

        Parameters
        ----------
        layout, phi_deg, depth
            As `lay` takes them.

        Returns
        -------
        str
            The reason in words.
        """
        return find_refusal(self._drawn(layout, phi_deg), self.frame, **self._given(depth))

    def _drawn(self, layout: str, phi_deg: float) -> layouts.Layout:
        return layouts.draw_layout(
            layout,
            phi_deg,
            decoys=self.gear.decoys,
            opening_m=self.opening_m,
            far_group=self.gear.far_group,
        )

    def _given(self, depth: Depths | None) -> dict[str, Any]:
        return {
            "water": self.water,
            "decoys": self.gear.decoys,
            "gear": self.gear,
            "flooded": self.flooded,
            "depth": depth,
            "max_depth_m": DEEPEST_M,
        }

    def record(self) -> dict[str, Any]:
        """Return what plan.json keeps so that the spread can be laid again."""
        return {
            "kind": self.kind,
            "facing_deg": self.facing_deg,
            "frame": asdict(self.frame),
            "opening_m": self.opening_m,
            "gear": asdict(self.gear),
            "season": self.season,
        }

    def layer(self, crs: Any) -> gpd.GeoDataFrame:
        """Return the water and flooded trees near the hide, as plan.gpkg keeps them."""
        near = shapely.Point(self.frame.x, self.frame.y).buffer(KEPT_WATER_M)
        shapes = [layouts.polygons_of(s.intersection(near)) for s in (self.water, self.flooded)]
        frame = gpd.GeoDataFrame({"id": ["water", "flooded"]}, geometry=shapes, crs=crs)
        return frame[~frame.geometry.is_empty].reset_index(drop=True)


def spread_site(
    survey: Survey, row: pd.Series[Any], gear: Gear, *, season: SeasonPhase | None = None
) -> SpreadSite:
    """Return what the spread of a blind is laid on.

    Parameters
    ----------
    survey
        With the layers `water`, `cover` and `positions`.
    row
        The blind, scored.
    gear
        What is carried.
    season
        Of the year, where a date is known.

    Returns
    -------
    SpreadSite
        In the survey's CRS.
    """
    facing = float(row["facing_deg"])
    frame = HideFrame(row.geometry.x, row.geometry.y, float(survey.grid.to_grid_bearing(facing)))
    west, south, east, north = row.geometry.buffer(_REACH_M).bounds
    near = shapely.clip_by_rect(
        survey.layers["water"].geometry.to_numpy(), west, south, east, north
    )
    flooded = (
        find_flooded_trees(survey.layers["cover"], survey.layers.get("depth"), row.geometry)
        if row["layout"] == "timber"
        else shapely.Polygon()
    )
    return SpreadSite(
        frame=frame,
        facing_deg=facing,
        kind=str(row["kind"]),
        water=shapely.union_all(near[~shapely.is_empty(near)]),
        flooded=flooded,
        opening_m=_opening_m(survey, row),
        gear=gear,
        season=season,
    )


def lay_spread(survey: Survey, row: pd.Series[Any], site: SpreadSite) -> Spread:
    """Return the spread of a scored blind, with depths where they are known.

    Parameters
    ----------
    survey
        Of the place.
    row
        The blind: `layout`, `phi_deg`, `wind_side` and `bend_deg` count.
    site
        What it is laid on.

    Returns
    -------
    Spread
        Laid, or refused with the reason; with the way birds come in where there is a wind.
    """
    laid = site.lay(row["layout"], float(row["phi_deg"]), _depths(survey))
    if laid.refused:
        return laid
    if row["wind_side"] == "calm":
        even = CALM_TIMBER if laid.layout == "timber" else CALM_REASON
        return replace(laid, reason=even if laid.groups else CALM_BARE)
    return replace(laid, approach=_approach(row, site, laid))


def _approach(row: pd.Series[Any], site: SpreadSite, spread: Spread) -> FloatArray:
    """Return the line birds come in by, from afar to the downwind edge of the pocket."""
    downwind = site.frame.facing_grid_deg + spread.phi_deg + 180.0
    middle = np.array([spread.pocket_centre])
    bend = np.array([float(row["bend_deg"])])
    (line,) = approach_lines(middle, downwind, bend, length_m=APPROACH_DRAWN_M)
    outside = ~shapely.contains_xy(spread.pocket, line)
    return np.asarray(line[outside][::-1], float)


def why_refused(survey: Survey, row: pd.Series[Any], site: SpreadSite) -> str | None:
    """Return why no spread can be laid for a scored blind, None where one can.

    Parameters
    ----------
    survey, row, site
        As `lay_spread` takes them.

    Returns
    -------
    str
        The reason in words.
    """
    return site.why_refused(row["layout"], float(row["phi_deg"]), _depths(survey))


def _depths(survey: Survey) -> Depths | None:
    depth = survey.layers.get("depth")
    return None if depth is None else lambda xy: depth.sample(xy[:, 0], xy[:, 1])


def touchdown_areas(
    survey: Survey, row: pd.Series[Any], spread: Spread, wind: Wind
) -> gpd.GeoDataFrame:
    """Return where birds would touch down for the spread of a scored blind.

    Parameters
    ----------
    survey
        Of the place.
    row
        The blind.
    spread
        Its spread.
    wind
        Of the morning.

    Returns
    -------
    GeoDataFrame
        The `find_touchdown` layer: patches with their `probability`.
    """
    from sitegeo.siting.approach import find_touchdown  # noqa: PLC0415 (slow; a ranking lands no birds)

    bodies = [g.polygon for g in spread.groups if g.name != "focus"]
    return find_touchdown(
        cover=survey.layers["cover"],
        canopy_height=survey.layers["canopy_height"],
        pocket=shapely.Polygon() if spread.refused else spread.pocket,
        wind=wind,
        taken=shapely.union_all(bodies),
        timber=spread.layout == "timber",
        bend_deg=float(row["bend_deg"]),
    )


def touchdown_cautions(spread: Spread, landing: gpd.GeoDataFrame) -> tuple[str, ...]:
    """Return a caution where what stands downwind leaves birds little room over the pocket."""
    if spread.refused or not len(spread.approach):
        return ()
    room = landing.union_all().intersection(spread.pocket).area / spread.pocket.area
    if room >= LITTLE_ROOM:
        return ()
    return (
        "What stands downwind leaves birds little room to come down in the pocket: they may land "
        "beyond it, or not at all",
    )


def _opening_m(survey: Survey, row: pd.Series[Any]) -> float:
    """Return the width of the opening a blind looks into, or of a middling one."""
    positions = survey.layers["positions"]
    held = positions.loc[positions["id"] == row.get("position_id"), "width_m"].dropna()
    return float(held.iloc[0]) if len(held) else _MIDDLING_OPENING_M
