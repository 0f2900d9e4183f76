"""Bringing vector layers to their contract: repairing, splitting and dropping, all counted."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from sitegeo.core.contracts import POINT, POLYGON, Column, Contract, is_date
from sitegeo.core.typing import BoolArray

_SPLIT = ("MultiPoint", "GeometryCollection")


def conform_to_contract(
    frame: gpd.GeoDataFrame, contract: Contract
) -> tuple[gpd.GeoDataFrame, list[str]]:
    """Return a layer that keeps its contract, and notes with counts of all that was changed.

    Invalid shapes are repaired; areas stand as a point inside where points belong; what is left
    without a use is dropped. Columns are those of the
    contract and `name`: absent ones are empty, values that make no sense are unknown.
    """
    notes: list[str] = []
    frame = frame.set_geometry(shapely.force_2d(frame.geometry.to_numpy()), crs=frame.crs)
    frame = _kept(frame, ~_missing(frame), "missing or empty shapes dropped", notes)
    frame = _kept(frame, _finite(frame), "shapes with impossible coordinates dropped", notes)
    frame = _repaired(frame, "Point" in contract.geometry, notes)
    frame = _kept(frame, ~_missing(frame), "shapes beyond repair dropped", notes)
    frame = _fitted(_split(frame), contract, notes)
    fits = _kinds(frame).isin(contract.geometry)
    wanted = ", ".join(sorted(contract.geometry))
    frame = _kept(frame, fits.to_numpy(), f"shapes dropped that are not {wanted}", notes)
    return _with_columns(frame.reset_index(drop=True), contract, notes), notes


def _kinds(frame: gpd.GeoDataFrame) -> pd.Series[Any]:
    return frame.geometry.geom_type


def _missing(frame: gpd.GeoDataFrame) -> BoolArray:
    shapes = frame.geometry.to_numpy()
    return np.asarray(shapely.is_missing(shapes) | shapely.is_empty(shapes))


def _finite(frame: gpd.GeoDataFrame) -> BoolArray:
    """Which shapes have finite coordinates alone: a projection makes infinite ones far away."""
    places, owner = shapely.get_coordinates(frame.geometry.to_numpy(), return_index=True)
    fine = np.ones(len(frame), dtype=bool)
    fine[owner[~np.isfinite(places).all(axis=1)]] = False
    return fine


def _kept(
    frame: gpd.GeoDataFrame, keep: BoolArray, words: str, notes: list[str]
) -> gpd.GeoDataFrame:
    dropped = int((~keep).sum())
    if dropped:
        notes.append(f"{dropped} {words}")
    return frame[keep]


def _repaired(frame: gpd.GeoDataFrame, points_belong: bool, notes: list[str]) -> gpd.GeoDataFrame:
    shapes = frame.geometry.to_numpy().copy()
    invalid = ~shapely.is_valid(shapes)
    if not invalid.any():
        return frame
    fixed = shapely.make_valid(shapes[invalid], method="structure", keep_collapsed=False)
    if points_belong:
        # A house drawn with no area is still a house.
        flat = shapely.is_empty(fixed)
        fixed[flat] = shapely.centroid(shapes[invalid][flat])
    shapes[invalid] = fixed
    notes.append(f"{int(invalid.sum())} invalid shapes repaired")
    return frame.set_geometry(shapes, crs=frame.crs)


def _split(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return points and collections of shapes taken apart, in their order."""
    mixed = _kinds(frame).isin(_SPLIT).to_numpy()
    if not mixed.any():
        return frame
    parts = pd.concat([frame[~mixed], frame[mixed].explode()])
    return gpd.GeoDataFrame(parts, crs=frame.crs).sort_index(kind="stable")


def _fitted(frame: gpd.GeoDataFrame, contract: Contract, notes: list[str]) -> gpd.GeoDataFrame:
    """Return areas as what belongs in the layer, where that loses nothing that is asked of it."""
    areas = _kinds(frame).isin(POLYGON).to_numpy()
    shapes = frame.geometry.to_numpy().copy()
    rings = (_kinds(frame) == "LineString").to_numpy() & shapely.is_closed(shapes)
    if rings.any() and contract.geometry == POINT | POLYGON:
        # A house drawn as its outline is still a house.
        shapes[rings] = shapely.convex_hull(shapes[rings])
        notes.append(f"{int(rings.sum())} closed lines taken as the areas they enclose")
    elif not areas.any() or contract.geometry & POLYGON:
        return frame
    elif contract.geometry == POINT:
        shapes[areas] = shapely.point_on_surface(shapes[areas])
        notes.append(f"{int(areas.sum())} areas taken as a point inside them")
    return frame.set_geometry(shapes, crs=frame.crs)


def _with_columns(
    frame: gpd.GeoDataFrame, contract: Contract, notes: list[str]
) -> gpd.GeoDataFrame:
    held = {name: frame[name] for name in frame.columns}
    columns: dict[str, Any] = {}
    for name, column in {"name": Column("text", nullable=True), **contract.columns}.items():
        if name in held:
            columns[name], odd = _values(held[name], column)
            if odd:
                notes.append(f"{odd} values of '{name}' make no sense and are taken as unknown")
        elif name in contract.columns:
            columns[name] = _unknown(len(frame), column)
    return gpd.GeoDataFrame(columns, geometry=frame.geometry.to_numpy(), crs=frame.crs)


def _unknown(count: int, column: Column) -> Any:
    if column.kind == "number":
        return np.full(count, np.nan)
    return np.full(count, column.choices[-1] if column.choices else None, dtype=object)


def _values(held: pd.Series[Any], column: Column) -> tuple[Any, int]:
    """Return a column as its contract has it, and the count of values that do not fit."""
    given = held.notna().to_numpy()
    out = _unknown(len(held), column)
    if column.kind == "number":
        numbers = pd.to_numeric(held, errors="coerce").to_numpy(float, na_value=np.nan)
        fine = np.isfinite(numbers) & (numbers >= 0)
        out[fine] = numbers[fine]
        return out, int((given & ~fine).sum())
    if column.kind == "date":
        # A date, or a date with an hour, as files write them: 2025-11-20T06:40:00, 2025/11/20.
        days = [
            str(v)[:10].replace("/", "-") if ok else None for v, ok in zip(held, given, strict=True)
        ]
        out[:] = [d if is_date(d) else None for d in days]
        return out, int(given.sum() - sum(d is not None for d in out))
    odd = 0
    for i in np.flatnonzero(given):
        text = str(held.iloc[i]).strip()
        if column.choices:
            text = text.lower()
            odd += text not in column.choices
        if text and (not column.choices or text in column.choices):
            out[i] = text
    return out, odd
