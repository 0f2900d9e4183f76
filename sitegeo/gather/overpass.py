"""OpenStreetMap asked for an area through an Overpass service."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict, Field

from sitegeo.core.typing import Bounds
from sitegeo.errors import GatherError
from sitegeo.gather.client import Fetcher
from sitegeo.gather.osm import OSM_KEYS, read_osm
from sitegeo.gather.sources import Service, SourceData, SourceRequest
from sitegeo.places.config import VECTOR_REACH_M


class OverpassOptions(BaseModel):
    """What a source of this service may say under `options`.

    `timeout_s` and `most_mb` are the time and memory that the server is asked to grant.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    timeout_s: int = Field(default=120, ge=10, le=900)
    most_mb: int = Field(default=256, ge=1, le=2000)


def overpass_query(bounds: Bounds, options: OverpassOptions) -> str:
    """Return the question in Overpass QL: all objects with our keys, whole, as OSM XML.

    Examples
    --------
    >>> overpass_query((-90.6, 44.1, -90.5, 44.2), OverpassOptions())[:37]
    '[out:xml][timeout:120][maxsize:256000'
    """
    west, south, east, north = (f"{v:.6f}" for v in bounds)
    asked = "".join(f'nwr["{key}"];' for key in OSM_KEYS)
    return (
        f"[out:xml][timeout:{options.timeout_s}][maxsize:{options.most_mb * 1_000_000}]"
        f"[bbox:{south},{west},{north},{east}];({asked});(._;>;);out body;"
    )


def _require_whole(body: bytes) -> None:
    """Raise for an answer that says of itself that it is cut short, or is none."""
    if b"<remark>" in body:
        said = body.partition(b"<remark>")[2].partition(b"</remark>")[0]
        words = said.decode("utf-8", "replace").strip()[:200]
        raise GatherError(f"the service gave up: {words}")
    if b"<osm" not in body[:2000] or not body.rstrip().endswith(b"</osm>"):
        raise GatherError("answered with something else than OpenStreetMap data")


def read_overpass(wanted: SourceRequest, fetcher: Fetcher) -> SourceData:
    """Return the layers of the area and 2 km around it; raises `GatherError`."""
    options: OverpassOptions = wanted.options(OverpassOptions)
    bounds = wanted.area.bounds(margin_m=VECTOR_REACH_M)
    body = fetcher.bytes(
        wanted.source.url, form={"data": overpass_query(bounds, options)}, check=_require_whole
    )
    return read_osm(body, bounds, where=wanted.source.url)


OVERPASS = Service(read_overpass)
