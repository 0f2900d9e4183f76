"""Vector features of map services, described by data: OGC API Features, WFS, ArcGIS.

Standards: OGC 17-069r4 (API Features, part 1), OGC 09-025r2 (WFS 2.0), and the ArcGIS REST
query operation. All are asked for GeoJSON, which is in WGS 84, longitude first (RFC 7946).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from functools import partial
from typing import Any
from urllib.parse import urljoin, urlsplit

import geopandas as gpd
import shapely
import shapely.geometry
from pydantic import BaseModel, ConfigDict, Field

from sitegeo.core.grid import WGS84
from sitegeo.core.typing import Bounds
from sitegeo.errors import GatherError
from sitegeo.gather.client import Fetcher, Request
from sitegeo.gather.sources import Service, SourceData, SourceRequest, features_within
from sitegeo.places.config import VECTOR_REACH_M

MAX_FEATURE_PAGES = 200
"""Pages of one answer, beyond which it is refused as endless (judgement)."""

_FeaturePage = dict[str, Any]


class ColumnMapping(BaseModel):
    """How a service's attributes become ours."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    fields: dict[str, str] = Field(default_factory=dict)
    """Our column, and the service's attribute."""
    values: dict[str, dict[str, str]] = Field(default_factory=dict)
    """Our column, and our word for each of the service's; other words are left out."""
    fixed: dict[str, str] = Field(default_factory=dict)
    """Our column, and the word it holds where nothing else tells."""


class FeatureOptions(ColumnMapping):
    """What a source of these services may say under `options`.

    `collection` is the layer's name, `where` a condition in the service's own language, `page` how
    many features are asked for at once.
    """

    collection: str | None = None
    where: str | None = None
    page: int = Field(default=1000, ge=1, le=10_000)


def map_columns(frame: gpd.GeoDataFrame, columns: ColumnMapping) -> gpd.GeoDataFrame:
    """Return features with our columns alone, their words translated."""
    held: dict[str, Any] = {}
    for ours, theirs in columns.fields.items():
        values = frame[theirs] if theirs in frame.columns else [None] * len(frame)
        table = columns.values.get(ours)
        held[ours] = [
            None if v is None else str(v) if table is None else table.get(str(v)) for v in values
        ]
    for ours, word in columns.fixed.items():
        held[ours] = [v or word for v in held.get(ours, [None] * len(frame))]
    return gpd.GeoDataFrame(held, geometry=frame.geometry.to_numpy(), crs=frame.crs)


def _read(
    pages: Callable[..., Iterator[_FeaturePage]], wanted: SourceRequest, fetcher: Fetcher
) -> SourceData:
    """Return the features a service has in the area and 2 km around it."""
    options: FeatureOptions = wanted.options(FeatureOptions)
    bounds = wanted.area.bounds(margin_m=VECTOR_REACH_M)
    where = Request(wanted.source.url).shown
    features: dict[str, Any] = {}
    for number, page in enumerate(pages(wanted.source.url, options, bounds, fetcher), 1):
        if number > MAX_FEATURE_PAGES:
            raise GatherError("the answer has no end", where=where)
        new = {_name(f): f for f in page["features"]}
        if page["features"] and not set(new) - set(features):
            raise GatherError("gives the same page again and again", where=where)
        features |= new
    frame = _framed(list(features.values()), where)
    near = features_within(frame, bounds)
    if len(frame) and near.empty:
        raise GatherError(
            "gave features that lie elsewhere; its axes may be swapped",
            where=where,
            value=[round(float(v), 3) for v in frame.total_bounds],
        )
    return SourceData({} if near.empty else {wanted.source.gives[0]: map_columns(near, options)})


def _name(feature: Any) -> str:
    """Return what tells a feature from others: its id, else all of it."""
    given = feature.get("id") if isinstance(feature, Mapping) else None
    return repr(feature) if given is None else str(given)


def _framed(features: list[Any], where: str) -> gpd.GeoDataFrame:
    try:
        given = [f["geometry"] for f in features]
        shapes: list[Any] = [None if g is None else shapely.geometry.shape(g) for g in given]
        rows = [dict(f.get("properties") or {}) for f in features]
    except (KeyError, TypeError, ValueError, AttributeError, shapely.errors.ShapelyError):
        raise GatherError("gave features that are not GeoJSON", where=where) from None
    frame = gpd.GeoDataFrame(rows, geometry=shapes, crs=WGS84)
    return frame[~(frame.geometry.isna() | frame.geometry.is_empty)]


def _require_features(where: str, held: Any) -> None:
    """Raise for an answer that is no collection of features; services put errors in a 200."""
    if isinstance(held, dict) and isinstance(held.get("features"), list):
        return
    told = held.get("error") if isinstance(held, dict) else None
    words = told.get("message") if isinstance(told, dict) else told
    raise GatherError(
        f"answered without features{f': {str(words)[:200]}' if words else ''}", where=where
    )


def _get(fetcher: Fetcher, url: str, params: Mapping[str, Any] | None = None) -> _FeaturePage:
    check = partial(_require_features, Request(url).shown)
    page: _FeaturePage = fetcher.json(url, params, check=check)
    return page


def _ogc_pages(
    url: str, options: FeatureOptions, bounds: Bounds, fetcher: Fetcher
) -> Iterator[_FeaturePage]:
    """Yield the pages of OGC API Features, by their `next` links; all that is told must come."""
    items = f"{url.rstrip('/')}/collections/{options.collection}/items"
    params: dict[str, Any] | None = {"f": "json", "bbox": _box(bounds), "limit": options.page}
    if options.where is not None and params is not None:
        params |= {"filter": options.where, "filter-lang": "cql2-text"}
    got, matched, target = 0, None, items
    while True:
        page = _get(fetcher, target, params)
        got += len(page["features"])
        matched = page.get("numberMatched", matched)
        yield page
        links = page.get("links") or []
        following = [k.get("href") for k in links if k.get("rel") == "next"]
        if not following or not page["features"]:
            break
        target, params = urljoin(target, str(following[0])), None
        _require_same_host(target, items)
    _require_all(got, matched, items)


def _wfs_pages(
    url: str, options: FeatureOptions, bounds: Bounds, fetcher: Fetcher
) -> Iterator[_FeaturePage]:
    """Yield the pages of WFS 2.0, by start index."""
    got = 0
    while True:
        params = {
            "service": "WFS",
            "version": "2.0.0",
            "request": "GetFeature",
            "typeNames": options.collection,
            "outputFormat": "application/json",
            "srsName": "EPSG:4326",
            "count": options.page,
            "startIndex": got,
        }
        box = _box(bounds)
        if options.where is None:
            params["bbox"] = f"{box},EPSG:4326"
        else:
            params["cql_filter"] = f"BBOX(geom,{box}) AND ({options.where})"
        page = _get(fetcher, url, params)
        got += len(page["features"])
        yield page
        if len(page["features"]) < options.page:
            matched = page.get("numberMatched", page.get("totalFeatures"))
            _require_all(got, matched, url)
            return


def _arcgis_pages(
    url: str, options: FeatureOptions, bounds: Bounds, fetcher: Fetcher
) -> Iterator[_FeaturePage]:
    """Yield the pages of an ArcGIS layer's query, until it says that none is left out."""
    got = 0
    while True:
        page = _get(
            fetcher,
            f"{url.rstrip('/')}/query",
            {
                "f": "geojson",
                "where": options.where or "1=1",
                "geometry": _box(bounds),
                "geometryType": "esriGeometryEnvelope",
                "inSR": 4326,
                "outSR": 4326,
                "spatialRel": "esriSpatialRelIntersects",
                "outFields": ",".join(sorted(set(options.fields.values()))) or "*",
                "returnGeometry": "true",
                "resultOffset": got,
                "resultRecordCount": options.page,
            },
        )
        got += len(page["features"])
        yield page
        more = page.get("exceededTransferLimit") or (page.get("properties") or {}).get(
            "exceededTransferLimit"
        )
        if not more or not page["features"]:
            if more:
                raise GatherError("left features out and gives no more", where=Request(url).shown)
            return


def _box(bounds: Bounds) -> str:
    return ",".join(f"{v:.6f}" for v in bounds)


def _require_same_host(target: str, asked: str) -> None:
    if urlsplit(target).netloc != urlsplit(asked).netloc:
        raise GatherError(
            "its next page is on another server, and not asked for",
            where=Request(asked).shown,
            value=urlsplit(target).hostname,
        )


def _require_all(got: int, matched: Any, url: str) -> None:
    if isinstance(matched, int) and got < matched:
        raise GatherError(
            f"gave {got} of {matched} features", where=Request(url).shown, remedy="Try again later"
        )


OGC = Service(partial(_read, _ogc_pages))
WFS = Service(partial(_read, _wfs_pages))
ARCGIS = Service(partial(_read, _arcgis_pages))
