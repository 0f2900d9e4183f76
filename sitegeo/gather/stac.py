"""Rasters listed in a SpatioTemporal Asset Catalog, behind an API or as plain files."""

from __future__ import annotations

import json
import operator
import warnings
from collections.abc import Callable, Iterator, Mapping
from functools import partial
from typing import Any, Literal
from urllib.parse import urljoin

import pystac
import shapely
import shapely.geometry
from pydantic import BaseModel, ConfigDict, Field
from pystac_client import Client as ApiClient
from pystac_client.stac_api_io import StacApiIO

from sitegeo.core.typing import Bounds
from sitegeo.errors import GatherError
from sitegeo.gather.client import Fetcher, Request, require_web_address
from sitegeo.gather.mosaic import COMPLETE_SHARE, Scene, mosaic_scenes, order_scenes
from sitegeo.gather.sources import ClippedRaster, Service, SourceData, SourceRequest

MAX_SEARCH_PAGES = 50
"""Pages of a search, beyond which the catalogue is refused as endless (judgement)."""

MAX_CATALOGUE_FILES = 2000
"""Files of a plain catalogue that are opened in search of images (judgement)."""


_Comparison = Literal["lt", "lte", "gt", "gte", "eq"]


class StacOptions(BaseModel):
    """What a source of this service may say under `options`.

    Parameters
    ----------
    collection, assets
        Where its images are, and the file of each, or one file a band.
    bands
        Names of the bands.
    together
        What was flown or taken as one: a seam inside it is no seam in time.
    query
        Conditions on an item's properties.
    most
        Items looked at.
    void
        Value that stands for no data where all bands hold it.
    token_url, token_member
        Where a token for anyone is handed out, and its name in the answer.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    collection: str
    assets: tuple[str, ...] = Field(min_length=1)
    bands: tuple[str, ...] = ()
    together: Literal["year", "day"] = "day"
    """What was flown or taken as one: a seam inside it is no seam in time."""
    query: dict[str, dict[Literal["lt", "lte", "gt", "gte", "eq"], Any]] = Field(
        default_factory=dict
    )
    most: int = Field(default=100, ge=1, le=1000)
    void: float | None = None
    token_url: str | None = None
    token_member: str = "token"


class _Io(StacApiIO):
    """Reads catalogues through a fetcher and nothing else: no file, no scheme but the web's."""

    def __init__(self, fetcher: Fetcher) -> None:
        super().__init__(max_retries=None)
        self._fetcher = fetcher
        self._pages = 0

    def read_text(self, source: Any, *args: Any, **kwargs: Any) -> str:
        if not isinstance(source, pystac.Link):
            require_web_address(str(source), "a link of a catalogue")
        return str(super().read_text(source, *args, **kwargs))

    def request(
        self,
        href: str,
        method: str | None = None,
        headers: dict[str, str] | None = None,  # noqa: ARG002 (a catalogue sets none of ours)
        parameters: dict[str, Any] | None = None,
    ) -> str:
        require_web_address(href, "a link of a catalogue")
        self._pages += 1
        if self._pages > MAX_SEARCH_PAGES:
            raise GatherError("the catalogue has no end", where=Request(href).shown)
        if (method or "GET").upper() == "POST":
            held = self._fetcher.json(href, post=parameters or {}, check=_require_table)
        else:
            held = self._fetcher.json(href, parameters, check=_require_table)
        return json.dumps(held)


def _require_table(held: Any) -> None:
    if not isinstance(held, dict):
        raise GatherError("a catalogue answered with something else than a JSON object")


def read_stac(wanted: SourceRequest, fetcher: Fetcher) -> SourceData:
    """Return the newest complete coverage of the area, as the first of what the source gives.

    Raises
    ------
    GatherError
        If nothing is listed there, or it cannot be read.
    """
    options: StacOptions = wanted.options(StacOptions)
    root = fetcher.json(wanted.source.url, check=_require_table)
    bounds = wanted.area.bounds()
    if any(link.get("rel") == "search" for link in _links(root)):
        items = _searched(wanted.source.url, options, bounds, fetcher)
    else:
        items = _walked(wanted.source.url, options, bounds, fetcher)
    scenes = [scene for item in items if (scene := _scene(item, options)) is not None]
    ordered = order_scenes(scenes, wanted.area, by=options.together)
    if options.token_url is not None:
        fetcher = fetcher.with_secret(
            partial(fetcher.token, options.token_url, options.token_member)
        )
    picture = mosaic_scenes(
        ordered,
        wanted.area,
        fetcher,
        finest_m=wanted.finest_m,
        bands=options.bands,
        void=options.void,
    )
    return SourceData({wanted.source.gives[0]: picture}, _notes(picture))


def _notes(picture: ClippedRaster) -> tuple[str, ...]:
    notes = []
    if len(picture.taken) > 1:
        notes.append(f"joined from images of {', '.join(picture.taken)}")
    if picture.covered < COMPLETE_SHARE:
        notes.append(f"covers {100 * picture.covered:.0f} % of the area")
    return tuple(notes)


def _links(held: Any) -> list[dict[str, Any]]:
    links = held.get("links") if isinstance(held, dict) else None
    return [k for k in links if isinstance(k, dict)] if isinstance(links, list) else []


def _searched(
    url: str, options: StacOptions, bounds: Bounds, fetcher: Fetcher
) -> Iterator[pystac.Item]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of what the landing page does not declare
        api = ApiClient.open(url, stac_io=_Io(fetcher))
        api.add_conforms_to("ITEM_SEARCH")
        for declared in ("QUERY", "SORT"):
            api.add_conforms_to(declared)
        search = api.search(
            collections=[options.collection],
            bbox=bounds,
            query=options.query or None,
            sortby=[{"field": "properties.datetime", "direction": "desc"}],
            limit=min(options.most, 100),
            max_items=options.most,
        )
        yield from search.items()


def _walked(
    url: str, options: StacOptions, bounds: Bounds, fetcher: Fetcher
) -> Iterator[pystac.Item]:
    """Items of a catalogue of plain files that meet the bounds, other collections left out."""
    waiting, seen = [url], {url}
    while waiting:
        if len(seen) > MAX_CATALOGUE_FILES:
            raise GatherError("the catalogue has no end", where=Request(url).shown)
        href = waiting.pop(0)
        held = fetcher.json(href, check=_require_table)
        if held.get("type") == "Feature":
            if _meets(held.get("bbox"), bounds):
                yield pystac.Item.from_dict(held, href=href)
            continue
        if held.get("type") == "Collection" and not _holds(held, options, bounds):
            continue
        for link in _links(held):
            if link.get("rel") in {"child", "item"} and isinstance(link.get("href"), str):
                target = urljoin(href, link["href"])
                if target not in seen:
                    seen.add(target)
                    waiting.append(target)


def _holds(collection: dict[str, Any], options: StacOptions, bounds: Bounds) -> bool:
    if collection.get("id") != options.collection:
        return False
    try:
        boxes = collection["extent"]["spatial"]["bbox"]
        return any(_meets(box, bounds) for box in boxes)
    except (KeyError, TypeError):
        return True


def _meets(box: Any, bounds: Bounds) -> bool:
    """Whether an extent of two or three dimensions meets the bounds; no extent might."""
    if not isinstance(box, list) or len(box) not in {4, 6}:
        return True
    half = len(box) // 2
    west, south, east, north = box[0], box[1], box[half], box[half + 1]
    w, s, e, n = bounds
    return bool(west <= e and east >= w and south <= n and north >= s)


def _scene(item: pystac.Item, options: StacOptions) -> Scene | None:
    """Return an item as a scene, None where it lacks a file, a place or a day, or is unwanted."""
    hrefs = [
        item.assets[name].get_absolute_href() for name in options.assets if name in item.assets
    ]
    taken = item.datetime or item.common_metadata.start_datetime
    if len(hrefs) < len(options.assets) or None in hrefs or taken is None or not item.geometry:
        return None
    if not all(_allows(item.properties.get(n), tests) for n, tests in options.query.items()):
        return None
    footprint = shapely.make_valid(shapely.geometry.shape(item.geometry))
    return Scene(item.id, tuple(str(h) for h in hrefs), taken.date().isoformat(), footprint)


_TESTS: dict[_Comparison, Callable[[Any, Any], Any]] = {
    "lt": operator.lt,
    "lte": operator.le,
    "gt": operator.gt,
    "gte": operator.ge,
    "eq": operator.eq,
}


def _allows(value: Any, tests: Mapping[_Comparison, Any]) -> bool:
    return value is None or all(_TESTS[name](value, bound) for name, bound in tests.items())


STAC = Service(read_stac)
