"""The contract of every layer sitegeo reads or makes, and the one check that holds it.

A layer is a GeoDataFrame in the place's projected metric CRS, or a `Raster` on its grid.
`check` reports all faults of a layer at once.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from enum import IntEnum
from types import MappingProxyType
from typing import Any, Literal

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from sitegeo.core.grid import Raster, require_metric
from sitegeo.errors import CrsError, LayerError

ColumnKind = Literal["text", "number", "count", "flag", "date"]

POINT = frozenset({"Point"})
LINE = frozenset({"LineString", "MultiLineString"})
POLYGON = frozenset({"Polygon", "MultiPolygon"})
ANY_SHAPE = POINT | LINE | POLYGON
"""Types of shape a contract may allow."""


class Cover(IntEnum):
    """Codes of the cover classes."""

    NONE = 0
    WATER = 1
    TREE = 2
    LOW = 3
    OPEN = 4
    BUILT = 5


@dataclass(frozen=True)
class Column:
    """One column of a layer.

    Parameters
    ----------
    kind
        What it holds.
    unit
        Of a number; some units bound it, such as ``deg`` and ``0-1``.
    nullable
        Whether values may be missing.
    choices
        The texts allowed; any if empty.
    """

    kind: ColumnKind
    unit: str = ""
    nullable: bool = False
    choices: tuple[str, ...] = ()


@dataclass(frozen=True)
class Contract:
    """What a vector layer promises: shapes, columns and order.

    Parameters
    ----------
    name
        Of the layer.
    geometry
        Types of shape allowed.
    columns
        What must be there; more columns may be.
    has_id
        Whether it has a column ``id`` of unique texts and is sorted by it.
    """

    name: str
    geometry: frozenset[str]
    columns: Mapping[str, Column]
    has_id: bool = True


@dataclass(frozen=True)
class RasterContract:
    """What a raster layer promises.

    Parameters
    ----------
    name
        Of the layer.
    bands
        Names of its bands, in order; none for a single plane.
    unit
        Of its values.
    """

    name: str
    bands: tuple[str, ...] = ()
    unit: str = ""


@dataclass(frozen=True)
class ValueContract:
    """What a value promises that steps hand on to one another and nobody keeps: its type.

    Parameters
    ----------
    name
        By which other steps ask for it.
    kind
        Its class.
    """

    name: str
    kind: type


AnyContract = Contract | RasterContract | ValueContract

_RANGES = {
    "deg": (0.0, np.nextafter(360.0, 0.0), "be a bearing in [0, 360)"),
    "0-1": (0.0, 1.0, "lie between 0 and 1"),
    "m": (0.0, np.inf, "not be negative"),
    "m2": (0.0, np.inf, "not be negative"),
}
"""By unit: the least and the most a number may be, and what a fault says."""

_TEXT = Column("text")
_TEXT0 = Column("text", nullable=True)
_M = Column("number", "m")
_M0 = Column("number", "m", nullable=True)
_M2 = Column("number", "m2")
_DEG = Column("number", "deg")
_DEG0 = Column("number", "deg", nullable=True)
_SHARE = Column("number", "0-1")
_SHARE0 = Column("number", "0-1", nullable=True)

POSITION_KINDS = MappingProxyType(
    {
        "tree line": "T",
        "point": "P",
        "cove": "V",
        "timber opening": "H",
        "cover clump": "C",
        "open flat": "F",
        "chosen": "X",
    }
)
"""Position kinds and the letter their ids begin with."""

GROUND = ("public", "private", "unknown")
"""Whose ground a candidate stands on, as far as the map knows."""

VERDICTS = ("clear", "inside", "close", "not checked")
"""How a place stands to one rule of the law."""

HUNTING = ("open", "restricted", "closed", "unknown")
"""Whether public land is open to hunting; only ``open`` counts."""


def _contracts(*contracts: AnyContract) -> Mapping[str, AnyContract]:
    return MappingProxyType({c.name: c for c in contracts})


CONTRACTS = _contracts(
    # What a place may bring.
    Contract("mapped_water", POLYGON, {}, has_id=False),
    # A road as an area is one to stand on.
    Contract(
        "roads", LINE | POLYGON, {"class": _TEXT0, "width_m": _M0, "surface": _TEXT0}, has_id=False
    ),
    Contract("dwellings", POINT | POLYGON, {"kind": _TEXT0}, has_id=False),
    Contract(
        "public_land",
        POLYGON,
        {"name": _TEXT0, "manager": _TEXT0, "hunting": Column("text", choices=HUNTING)},
        has_id=False,
    ),
    Contract(
        "closed_areas",
        POLYGON,
        {"reason": _TEXT0, "from": _TEXT0, "to": _TEXT0},
        has_id=False,
    ),
    Contract("access", POINT, {"kind": _TEXT0, "name": _TEXT0}, has_id=False),
    Contract(
        "observations",
        ANY_SHAPE,
        {"date": Column("date", nullable=True), "count": Column("number", nullable=True)},
        has_id=False,
    ),
    # What the survey makes.
    RasterContract("photo_cover", ("class", "confidence")),
    RasterContract("cover", ("class", "confidence")),
    RasterContract("canopy_height", unit="m"),
    RasterContract("canopy_error", unit="m"),
    RasterContract("evergreen"),
    RasterContract("obstacles"),
    RasterContract("halo"),
    Contract(
        "water",
        POLYGON,
        {"area_m2": _M2, "source": Column("text", choices=("photo", "vector", "both"))},
    ),
    Contract(
        "land",
        POLYGON,
        {"area_m2": _M2, "source": Column("text", choices=("photo", "vector", "both"))},
    ),
    Contract(
        "stations",
        POINT,
        {
            "shore_id": _TEXT,
            "chainage_m": _M,
            "facing_deg": _DEG,
            "land_fraction_25": _SHARE0,
            "land_fraction_75": _SHARE0,
            "land_fraction_200": _SHARE0,
            "bank_cover": _TEXT,
            "canopy_height_m": _M0,
        },
    ),
    Contract(
        "positions",
        ANY_SHAPE,
        {
            "kind": Column("text", choices=tuple(POSITION_KINDS)),
            "length_m": _M0,
            "width_m": _M0,
            "belt_depth_m": _M0,
            "bearing_deg": _DEG0,
            "facing_deg": _DEG0,
            "canopy_height_m": _M0,
            "canopy_height_p90_m": _M0,
            "canopy_height_error_m": _M0,
            "canopy_density": _SHARE0,
            "area_m2": Column("number", "m2", nullable=True),
            "confidence": _SHARE,
            "why": _TEXT,
        },
    ),
    Contract(
        "candidates",
        POINT,
        {
            "position_id": _TEXT,
            "kind": Column("text", choices=tuple(POSITION_KINDS)),
            "facing_deg": _DEG,
            "hide": _SHARE,
            "depth_m": _M0,
            "access_m": _M0,
            "ground": Column("text", choices=GROUND),
            "rejected_by": _TEXT0,
        },
    ),
    Contract(
        "setbacks",
        POLYGON,
        {"target": _TEXT, "distance_m": _M, "rule": _TEXT, "verify": Column("flag"), "note": _TEXT},
    ),
    Contract("huntable", POLYGON, {"area_m2": _M2, "unknowns": _TEXT}),
    # What a wind adds; kept in the plan.
    RasterContract("exposure", ("fetch_m", "at_least", "local_ratio")),
    Contract(
        "bank_exposure",
        POINT | LINE,
        {
            "wind_side": _TEXT,
            "fetch_m": _M0,
            "local_wind": Column("number", "m/s", nullable=True),
            "calm_strip_m": _M0,
        },
    ),
    Contract("sheltered_water", POLYGON, {"area_m2": _M2}),
    Contract("beaten_bank", LINE, {"length_m": _M}),
    Contract(
        "blinds",
        POINT,
        {
            "kind": Column("text", choices=tuple(POSITION_KINDS)),
            "facing_deg": _DEG,
            "score": _SHARE,
            "phi_deg": Column("number", "signed deg"),
            "bend_deg": Column("number", "signed deg"),
            "wind_side": _TEXT,
            "layout": _TEXT,
            "local_wind_mps": Column("number", "m/s", nullable=True),
            "fetch_m": _M0,
            "rejected_by": _TEXT0,
        },
    ),
    Contract("touchdown", POLYGON, {"probability": _SHARE}),
)
"""The contract of every layer that a place may bring, a survey makes or a wind adds, by name."""


def contract(name: str) -> AnyContract:
    """Return the contract of a known layer; raises `LayerError` for an unknown name."""
    if name not in CONTRACTS:
        raise LayerError(name, ["no such layer is known"])
    return CONTRACTS[name]


def check(layer: Any, contract: AnyContract, *, where: object = None) -> None:
    """Raise unless a layer keeps its contract.

    Parameters
    ----------
    layer
        A GeoDataFrame or a `Raster`.
    contract
        What it must keep; see `contract` for those of sitegeo's own layers.
    where
        The file or step it comes from, for the error.

    Raises
    ------
    LayerError
        Names every fault at once.

    Examples
    --------
    >>> import geopandas as gpd, shapely
    >>> roads = gpd.GeoDataFrame({"class": ["track"]}, geometry=[shapely.Point(0, 0)])
    >>> try:
    ...     check(roads, contract("roads"))
    ... except LayerError as error:
    ...     print(len(error.faults), "faults")
    4 faults
    """
    if isinstance(contract, ValueContract):
        right = isinstance(layer, contract.kind)
        faults = [] if right else [f"is a {type(layer).__name__}, not a {contract.kind.__name__}"]
    elif isinstance(contract, RasterContract):
        faults = _raster_faults(layer, contract)
    else:
        faults = _vector_faults(layer, contract)
    if faults:
        raise LayerError(contract.name, faults, where=where)


def _raster_faults(layer: Any, contract: RasterContract) -> list[str]:
    if not isinstance(layer, Raster):
        return [f"is {type(layer).__name__}, not a Raster"]
    if layer.bands != contract.bands:
        return [f"has bands {list(layer.bands)}, not {list(contract.bands)}"]
    if not contract.bands and layer.values.ndim != 2:
        return ["holds several bands where a single plane belongs"]
    return []


def _vector_faults(layer: Any, contract: Contract) -> list[str]:
    if not isinstance(layer, gpd.GeoDataFrame):
        return [f"is {type(layer).__name__}, not a GeoDataFrame"]
    if layer.active_geometry_name is None:
        return ["has no geometry column"]
    faults = []
    try:
        require_metric(layer.crs)
    except CrsError as error:
        faults.append(error.what)
    faults += _geometry_faults(layer, contract)
    if contract.has_id:
        faults += _id_faults(layer)
    for name, column in contract.columns.items():
        if name not in layer.columns:
            faults.append(f"column '{name}' is missing")
        else:
            faults += _column_faults(layer[name], column)
    return faults


def _geometry_faults(layer: gpd.GeoDataFrame, contract: Contract) -> list[str]:
    shapes = layer.geometry.to_numpy()
    faults = []
    missing = shapely.is_missing(shapes)
    gone = int((missing | shapely.is_empty(shapes)).sum())
    if gone:
        faults.append(f"{gone} geometries are missing or empty")
    invalid = int((~shapely.is_valid(shapes) & ~missing).sum())
    if invalid:
        faults.append(f"{invalid} geometries are invalid")
    wrong = sorted(set(layer.geometry.geom_type.dropna()) - contract.geometry)
    if wrong:
        faults.append(
            f"holds {', '.join(wrong)} where {', '.join(sorted(contract.geometry))} belong"
        )
    return faults


def _id_faults(layer: gpd.GeoDataFrame) -> list[str]:
    if "id" not in layer.columns:
        return ["column 'id' is missing"]
    ids = layer["id"]
    if not ids.map(lambda v: isinstance(v, str) and v != "").all():
        return ["ids must be text and never empty"]
    faults = []
    if not ids.is_unique:
        faults.append("ids are not unique")
    if not ids.is_monotonic_increasing:
        faults.append("rows are not sorted by id")
    return faults


def _column_faults(values: pd.Series[Any], column: Column) -> list[str]:
    name = values.name
    empty = values.isna()
    if empty.any() and not column.nullable:
        return [f"column '{name}' has {int(empty.sum())} empty values"]
    held = values[~empty] if empty.any() else values
    if held.empty:
        return []
    if column.kind == "text":
        return _text_faults(held, column)
    if column.kind == "date":
        return [] if held.map(is_date).all() else [f"column '{name}' must hold ISO 8601 dates"]
    if column.kind == "flag":
        return [] if held.isin([True, False]).all() else [f"column '{name}' must hold flags"]
    return _number_faults(held, column)


def is_date(value: object) -> bool:
    """Return whether a value is the text of an ISO 8601 date."""
    try:
        return isinstance(value, str) and bool(date.fromisoformat(value))
    except ValueError:
        return False


def _text_faults(held: pd.Series[Any], column: Column) -> list[str]:
    if not held.map(lambda v: isinstance(v, str)).all():
        return [f"column '{held.name}' must hold text"]
    strange = sorted(set(held) - set(column.choices)) if column.choices else []
    if strange:
        return [f"column '{held.name}' holds {strange}, not one of {list(column.choices)}"]
    return []


def _number_faults(held: pd.Series[Any], column: Column) -> list[str]:
    texts = not pd.api.types.is_numeric_dtype(held) and held.map(lambda v: isinstance(v, str)).any()
    numbers = pd.to_numeric(held, errors="coerce").to_numpy(float)
    if texts or not np.isfinite(numbers).all():
        return [f"column '{held.name}' must hold finite numbers"]
    if column.kind == "count" and ((numbers < 0) | (numbers % 1 != 0)).any():
        return [f"column '{held.name}' must hold counts"]
    least, most, words = _RANGES.get(column.unit, (-np.inf, np.inf, ""))
    fine = least <= numbers.min() and numbers.max() <= most
    return [] if fine else [f"column '{held.name}' must {words}"]
