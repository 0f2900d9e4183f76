"""Vector layers of a whole region, and what of them lies near a window."""

from __future__ import annotations

import hashlib
import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyogrio
import shapely
from pyproj import CRS, Transformer

from sitegeo.core.contracts import Contract, contract
from sitegeo.core.grid import WGS84, Grid
from sitegeo.core.inputs import VECTOR_ROLES
from sitegeo.core.typing import Bounds
from sitegeo.errors import CrsError, LayerError, MissingExtraError, SitegeoError
from sitegeo.places.config import VECTOR_REACH_M, LayerSource
from sitegeo.places.vectors import conform_to_contract

PARQUET_SUFFIXES = frozenset({".parquet", ".geoparquet"})
"""Files read with pyarrow."""

EXTRACT_SUFFIXES = (".osm.pbf", ".pbf", ".osm", ".osm.gz", ".osm.bz2")
"""Files of OpenStreetMap data, not yet sorted into layers."""


_WORLD = (-180.0, -90.0, 180.0, 90.0)


@dataclass(frozen=True)
class VectorSource:
    """One vector layer of the region, described by its header; `bounds` in its own CRS."""

    role: str
    path: Path
    layer: str | None
    where: str | None
    crs_wkt: str
    bounds: Bounds

    @property
    def parquet(self) -> bool:
        """Whether it is read with pyarrow."""
        return self.path.suffix.lower() in PARQUET_SUFFIXES

    @property
    def extract(self) -> bool:
        """Whether it is an OSM extract, to be sorted into layers first."""
        return is_extract(self.path)


def is_extract(path: Path) -> bool:
    """Whether a file is an OSM extract by its name."""
    return path.name.lower().endswith(EXTRACT_SUFFIXES)


def describe_vector(role: str, given: LayerSource, base: Path) -> VectorSource | None:
    """Return a layer by its header; None for one without a feature, which counts as not given.

    Parameters
    ----------
    role
        What the layer is to the place.
    given
        File, and layer and condition in it.
    base
        Folder from which paths count.

    Returns
    -------
    VectorSource or None
        With its bounds in its own CRS.

    Raises
    ------
    LayerError, CrsError
        If it cannot be read or has no CRS.
    """
    path = base / given.path
    if not path.exists():
        raise LayerError(role, ["no such file"], where=path, remedy="Check [layers]")
    if is_extract(path):
        if given.layer is not None or given.where is not None:
            raise LayerError(
                role, ["'layer' and 'where' do not work on an OSM extract"], where=path,
                remedy="Filter the file beforehand",
            )  # fmt: skip
        return VectorSource(role, path, None, None, WGS84.to_wkt(), _WORLD)
    try:
        if path.suffix.lower() in PARQUET_SUFFIXES:
            return _parquet(role, given, path)
        layers = [str(name) for name, _ in pyogrio.list_layers(path)]
        name = given.layer or (role if role in layers else layers[0])
        if given.layer is None and len(layers) > 1 and role not in layers:
            raise LayerError(
                role,
                [f"holds several layers: {', '.join(layers)}"],
                where=path,
                remedy=f'Name one: {role} = {{ path = "{given.path}", layer = "…" }}',
            )
        info = pyogrio.read_info(
            path, layer=name, force_feature_count=True, force_total_bounds=True
        )
    except SitegeoError:
        raise
    except Exception as error:  # several libraries raise here
        raise LayerError(role, [f"cannot be read as vectors: {error}"], where=path) from None
    if not info["features"]:
        return None
    if not info["crs"]:
        raise _no_crs(path, name)
    bounds = tuple(float(v) for v in info["total_bounds"])
    return VectorSource(role, path, name, given.where, CRS(info["crs"]).to_wkt(), bounds)  # type: ignore[arg-type]


def layers_of_file(given: LayerSource, base: Path) -> dict[str, LayerSource]:
    """Return the layers of one file of them all, by role.

    Raises
    ------
    LayerError
        If it is no OSM extract and has no layer of our names.
    """
    path = base / given.path
    if is_extract(path):
        return {
            role: given for role in VECTOR_ROLES if role not in ("closed_areas", "observations")
        }
    try:
        held = {str(name) for name, _ in pyogrio.list_layers(path)}
    except Exception as error:  # several libraries raise here
        raise LayerError("vectors", [f"cannot be read: {error}"], where=path) from None
    found = {r: given.model_copy(update={"layer": r}) for r in VECTOR_ROLES if r in held}
    if not found:
        raise LayerError(
            "vectors", [f"has none of the layers {', '.join(VECTOR_ROLES)}"], where=path,
            remedy='Name its layers one by one: water = { path = "…", layer = "…" }',
        )  # fmt: skip
    return found


def _parquet(role: str, given: LayerSource, path: Path) -> VectorSource | None:
    import json  # noqa: PLC0415

    try:
        import pyarrow.parquet as pq  # noqa: PLC0415 (an extra)
    except ImportError:
        raise MissingExtraError(
            "reading GeoParquet needs pyarrow",
            where=path,
            remedy="Run: pip install 'sitegeo[scan]'",
        ) from None
    if given.where is not None:
        raise LayerError(
            role,
            ["'where' works on GeoPackage and the like, not on GeoParquet"],
            where=path,
            remedy="Filter the file beforehand",
        )
    schema = pq.read_schema(path)
    held = json.loads((schema.metadata or {}).get(b"geo", b"{}"))
    if not held:
        raise LayerError(role, ["is Parquet without geometry"], where=path)
    column = held["columns"][held["primary_column"]]
    # The standard's default where it is silent; an explicit null means unknown.
    crs = column.get("crs", "OGC:CRS84")
    if crs is None:
        raise _no_crs(path, role)
    bounds = column.get("bbox")
    if bounds is None:
        bounds = gpd.read_parquet(path, columns=[held["primary_column"]]).total_bounds
    half = len(bounds) // 2
    flat = (*bounds[:2], *bounds[half : half + 2])
    if not np.isfinite(flat).all():
        return None
    wkt = CRS.from_user_input(crs).to_wkt()
    return VectorSource(role, path, None, None, wkt, tuple(float(v) for v in flat))  # type: ignore[arg-type]


def _no_crs(path: Path, layer: str) -> CrsError:
    return CrsError(
        "the layer has no coordinate reference system",
        where=f"{path} ({layer})",
        remedy="Assign the right one; sitegeo never guesses",
    )


def read_vector(source: VectorSource, grid: Grid) -> tuple[gpd.GeoDataFrame | None, list[str]]:
    """Return what of a layer lies near a window, in its CRS, and notes on repairs.

    None where the layer's extent does not reach the window: it says nothing there, and nothing
    is not clear.
    """
    own = CRS.from_wkt(source.crs_wkt)
    to_own = Transformer.from_crs(grid.crs, own, always_xy=True)
    west, south, east, north = grid.bounds
    reach = to_own.transform_bounds(
        west - VECTOR_REACH_M, south - VECTOR_REACH_M, east + VECTOR_REACH_M, north + VECTOR_REACH_M
    )
    b = source.bounds
    if b[0] > reach[2] or reach[0] > b[2] or b[1] > reach[3] or reach[1] > b[3]:
        return None, [f"{source.role}: the layer does not reach here"]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of rings it closes; what it cannot mend is counted
        frame = _read(source, reach)
    frame = frame.set_crs(own, allow_override=True)
    left, foot, right, top = frame.geometry.bounds.to_numpy().T
    beyond = (left > reach[2]) | (right < reach[0]) | (foot > reach[3]) | (top < reach[1])
    kept = contract("mapped_water" if source.role == "water" else source.role)
    assert isinstance(kept, Contract)
    cleaned, notes = conform_to_contract(frame[~beyond].to_crs(grid.crs), kept)
    return cleaned, [f"{source.role}: {n}" for n in notes]


def _read(source: VectorSource, reach: Bounds) -> gpd.GeoDataFrame:
    try:
        if not source.parquet:
            return gpd.read_file(
                source.path,
                layer=source.layer,
                bbox=reach,
                where=source.where,
                on_invalid="fix",
                fid_as_index=True,
            ).sort_index()
        try:
            return gpd.read_parquet(source.path, bbox=reach)
        except ValueError:  # without a bbox column it is read whole
            return gpd.read_parquet(source.path)
    except SitegeoError:
        raise
    except Exception as error:  # several libraries raise here
        raise LayerError(source.role, [f"cannot be read: {error}"], where=source.path) from None


def layers_key(layers: Mapping[str, Any]) -> str:
    """Return a hash of the shapes and attributes of layers."""
    digest = hashlib.sha256()
    for name, frame in sorted(layers.items()):
        digest.update(name.encode())
        if frame is None:
            continue
        for shape in shapely.to_wkb(frame.geometry.to_numpy()):
            digest.update(shape or b"-")
        rest = frame.drop(columns=frame.geometry.name)
        digest.update(rest.to_json(orient="split", double_precision=9).encode())
    return digest.hexdigest()[:16]
