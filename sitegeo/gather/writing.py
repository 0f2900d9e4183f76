"""Writing what was gathered: a place.toml and its files, the same bytes for the same answers."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
from rasterio.enums import ColorInterp

from sitegeo.core.inputs import VECTOR_ROLES
from sitegeo.core.output import replacing
from sitegeo.core.store import write_geopackage, write_json
from sitegeo.errors import GatherError
from sitegeo.gather.gathering import REFERENCE_LAYER, Contribution, Gathered
from sitegeo.gather.sources import ClippedRaster

GATHER_RECORD = "gather.json"
"""File of a gathered folder that says where everything is from; another folder is left alone."""

GATHER_SCHEMA = "sitegeo/gather/1"
"""Form of that file."""

PLACE_FILE = "place.toml"
VECTOR_FILE = "layers.gpkg"

RASTER_FILES = {"imagery": "photo.tif"}
"""Names of rasters' files, where they are not the role's."""


def write_gathered(
    found: Gathered, folder: Path, *, title: str, finest_m: float, overwrite: bool = False
) -> Path:
    """Write a folder that `sitegeo survey` can be run on; return the path of its place.toml.

    Parameters
    ----------
    found
        What `gather` returned.
    folder
        Replaced whole or not at all.
    title
        Of the place.
    finest_m
        Pixel of the survey, written into place.toml.
    overwrite
        Whether a gathered folder may be replaced.

    Returns
    -------
    Path
        The place file; no law is ever written into it, nor that a map is whole.

    Raises
    ------
    GatherError
        If no photo was found: without one there is nothing to survey.
    OutputError
        If the folder may not be replaced.
    """
    if "imagery" not in found.pictures:
        raise GatherError(
            f"no photo of this spot was found ({found.reasons.get('imagery', 'none asked for')})",
            remedy="Give a source of your own with --sources; see docs/sources.md",
        )
    with replacing(folder, GATHER_RECORD, overwrite=overwrite) as new:
        for role, picture in sorted(found.pictures.items()):
            bands = _bands(found, role)
            _write_picture(new / RASTER_FILES.get(role, f"{role}.tif"), picture, bands)
        if found.frames:
            write_geopackage(new / VECTOR_FILE, dict(sorted(found.frames.items())))
        text = _place_toml(found, title=title, finest_m=finest_m)
        (new / PLACE_FILE).write_text(text, encoding="utf-8")
        write_json(new / GATHER_RECORD, gather_record(found))
    return folder / PLACE_FILE


def _bands(found: Gathered, role: str) -> tuple[str, ...]:
    part = next(p for p in found.parts if role in p.layers)
    named = tuple(part.source.options.get("bands", ()))
    return named if len(named) == len(found.pictures[role].values) else ()


def _write_picture(path: Path, picture: ClippedRaster, bands: tuple[str, ...]) -> None:
    count, rows, cols = picture.values.shape
    floats = np.issubdtype(picture.values.dtype, np.floating)
    profile: dict[str, Any] = {
        "driver": "GTiff",
        "height": rows,
        "width": cols,
        "count": count,
        "dtype": picture.values.dtype,
        "crs": picture.crs.to_wkt(),
        "transform": picture.transform,
        "tiled": True,
        "blockxsize": 512,
        "blockysize": 512,
        "compress": "deflate",
        "zlevel": 4,
        "predictor": 3 if floats else 2,
        "bigtiff": "if_safer",
    }
    if count == 4:  # or the fourth is tagged as transparency
        profile |= {"photometric": "rgb", "alpha": "no"}
    with rasterio.Env(GDAL_TIFF_INTERNAL_MASK=True), rasterio.open(path, "w", **profile) as out:
        out.write(picture.values)
        if not picture.valid.all():
            out.write_mask(picture.valid)
        for index, name in enumerate(bands, 1):
            out.set_band_description(index, name)
        if count == 1:
            out.colorinterp = [ColorInterp.gray]


def gather_record(found: Gathered) -> dict[str, Any]:
    """Return what gather.json holds: sources used, and what is missing and why."""
    return {
        "schema": GATHER_SCHEMA,
        "at": {"lat": found.area.lat, "lon": found.area.lon, "radius_m": found.area.radius_m},
        "sources": [
            {
                "id": part.source.id,
                "title": part.source.title,
                "layers": list(part.layers),
                "licence": part.source.licence,
                "attribution": part.source.attribution,
                "gathered": part.gathered,
                "taken": part.taken,
                "notes": list(part.notes),
            }
            for part in found.parts
        ],
        "missing": found.reasons,
    }


def _place_toml(found: Gathered, *, title: str, finest_m: float) -> str:
    """Return the text of a place.toml; no law is ever written into it, nor that a map is whole."""
    lines = [f"title = {_text(title)}", ""]
    lines += [f"# no {role}: {_plain(why)}" for role, why in found.reasons.items()]
    lines += ["", "[layers]"]
    lines += [f'{r} = "{RASTER_FILES.get(r, f"{r}.tif")}"' for r in sorted(found.pictures)]
    vectors = [r for r in VECTOR_ROLES if r in found.frames]
    lines += [f'{role} = {{ path = "{VECTOR_FILE}", layer = "{role}" }}' for role in vectors]
    lines += ["", "[imagery]", f"finest_m = {finest_m:g}"]
    bands = _bands(found, "imagery")
    if bands:
        lines.append(f"bands = [{', '.join(_text(b) for b in bands)}]")
    days = found.pictures["imagery"].taken
    if days:
        lines.append(f"taken = {days[-1]}")
    errors = _errors(found.parts)
    if errors:
        lines += ["", "[assume.position_error_m]", *(f"{r} = {e:g}" for r, e in errors.items())]
    lines += _place_table(found)
    for part in found.parts:
        lines += ["", *_credit(part)]
    return "\n".join(lines) + "\n"


def _errors(parts: list[Contribution]) -> dict[str, float]:
    """The largest position error of the sources of each layer."""
    errors: dict[str, float] = {}
    for part in parts:
        for role in part.layers:
            if part.source.position_error_m is not None and role in VECTOR_ROLES:
                errors[role] = max(errors.get(role, 0.0), part.source.position_error_m)
    return dict(sorted(errors.items()))


def _place_table(found: Gathered) -> list[str]:
    datum = next((p.source.vertical_datum for p in found.parts if "ground" in p.layers), None)
    held = {"zone": found.zone, "vertical_datum": datum}
    rows = [f"{key} = {_text(value)}" for key, value in held.items() if value]
    return ["", "[place]", *rows] if rows else []


def _credit(part: Contribution) -> list[str]:
    source = part.source
    layers = [r for r in part.layers if r not in {"zone", "forecast", REFERENCE_LAYER}]
    if not layers:
        return []
    rows = [
        "[[credit]]",
        f"layers = [{', '.join(_text(r) for r in layers)}]",
        f"source = {_text(source.title)}",
        f"attribution = {_text(source.attribution)}",
        f"licence = {_text(source.licence)}",
    ]
    if source.link:
        rows.append(f"url = {_text(source.link)}")
    if part.taken:
        rows.append(f"taken = {part.taken}")
    return [*rows, f"gathered = {part.gathered}"]


def _plain(words: str) -> str:
    return "".join(c if c.isprintable() else " " for c in words)


def _text(value: str) -> str:
    """Return a TOML basic string; JSON's escapes are a part of TOML's."""
    return json.dumps(_plain(value), ensure_ascii=False)
