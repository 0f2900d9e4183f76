"""An OSM extract as a region's vectors: sorted into our layers once, kept as GeoParquet."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
from pyproj import Transformer

from sitegeo.core.grid import WGS84
from sitegeo.core.inputs import VECTOR_ROLES
from sitegeo.errors import LayerError
from sitegeo.places.config import VECTOR_REACH_M, LayerSource
from sitegeo.scan.plates import write_whole
from sitegeo.scan.rasters import file_stamp
from sitegeo.scan.region import Region, digest
from sitegeo.scan.vectors import VectorSource, describe_vector

_LAYER_LIST = "layers.json"


def sort_extracts(region: Region, folder: Path) -> Region:
    """Return a region whose vectors from OSM extracts are sorted into GeoParquet files in a folder.

    A layer of which the extract has no feature in the region is left out: it counts as not
    given, never as clear.

    Raises
    ------
    MissingExtraError, GatherError
        If an extract cannot be read whole.
    """
    wanted: dict[Path, list[str]] = {}
    for role, source in region.vectors.items():
        if source.extract:
            wanted.setdefault(source.path, []).append(role)
    found = {role: source for role, source in region.vectors.items() if not source.extract}
    for path, roles in wanted.items():
        kept = _kept(region, path, folder)
        found |= {role: kept[role] for role in roles if role in kept}
    return replace(region, vectors={r: found[r] for r in VECTOR_ROLES if r in found})


def _kept(region: Region, path: Path, folder: Path) -> Mapping[str, VectorSource]:
    west, south, east, north = region.grid.bounds
    bounds = Transformer.from_crs(region.grid.crs, WGS84, always_xy=True).transform_bounds(
        west - VECTOR_REACH_M, south - VECTOR_REACH_M, east + VECTOR_REACH_M, north + VECTOR_REACH_M
    )
    here = folder / digest(str(path), file_stamp(str(path)), bounds)
    if not (here / _LAYER_LIST).exists():
        _sort(path, bounds, here)
    roles = json.loads((here / _LAYER_LIST).read_text(encoding="utf-8"))
    told = {
        role: describe_vector(role, LayerSource(path=f"{role}.parquet"), here) for role in roles
    }
    return {role: source for role, source in told.items() if source is not None}


def _sort(path: Path, bounds: tuple[float, float, float, float], folder: Path) -> None:
    from sitegeo.gather import require_extra  # noqa: PLC0415 (an extra)

    require_extra()
    from sitegeo.gather.osm import OSM_LAYERS, read_osm  # noqa: PLC0415

    found = read_osm(path, bounds, where=path).layers
    layers = {n: f for n, f in found.items() if n in OSM_LAYERS and isinstance(f, gpd.GeoDataFrame)}
    if not layers:
        raise LayerError("vectors", ["holds nothing of the region"], where=path)
    for role, frame in layers.items():
        with write_whole(folder / f"{role}.parquet") as new:
            frame.to_parquet(new, write_covering_bbox=True)
    with write_whole(folder / _LAYER_LIST) as new:
        new.write_text(json.dumps(sorted(layers)), encoding="utf-8")
