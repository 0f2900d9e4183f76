"""A survey: everything about a place that does not depend on the morning.

Composition only: reads nothing itself, runs the installed steps, keeps their results and the
record of how they were made.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field
from functools import cached_property
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np
from pyproj import CRS

from sitegeo._version import __version__
from sitegeo.core import inputs, output, steps, store
from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Grid, Raster
from sitegeo.core.models import from_record
from sitegeo.errors import SurveyError
from sitegeo.exposure.atlas import SECTORS, Atlas, atlas_key, write_atlas
from sitegeo.exposure.banks import lake_shelter
from sitegeo.landcover.leaves import NOT_TOLD
from sitegeo.law.examples import shipped_laws, strictest
from sitegeo.law.rules import Law, read_law
from sitegeo.law.setbacks import drawn_short

if TYPE_CHECKING:
    from sitegeo.places.place import Place
    from sitegeo.shore.agreement import Agreement

SURVEY_MARKER = "survey.json"
SURVEY_SCHEMA = "sitegeo/survey/1"
ATLAS_FOLDER = "atlas"


@dataclass(frozen=True)
class Survey:
    """Layers and record of a survey.

    Parameters
    ----------
    record
        What survey.json holds: inputs with their hashes, steps, assumptions, warnings.
    layers
        Layers by name; read on first use where the survey was opened from a folder.
    folder
        Where it was opened from.
    """

    record: Mapping[str, Any]
    layers: Mapping[str, Any]
    timings: Mapping[str, float] = field(default_factory=dict)
    folder: Path | None = None

    @classmethod
    def open(cls, folder: str | Path) -> Survey:
        """Return the survey saved in a folder; raises `SurveyError` if it holds none."""
        path = Path(folder)
        output.require_ours(path, SURVEY_MARKER, "survey")
        record = store.read_json(path / SURVEY_MARKER)
        if not isinstance(record, dict) or record.get("schema") != SURVEY_SCHEMA:
            raise SurveyError(
                "was written by another version of sitegeo",
                where=path,
                remedy="Run 'sitegeo survey' again with --overwrite",
            )
        return cls(record, store.SavedLayers(path), folder=path)

    def save(
        self,
        folder: str | Path,
        *,
        overwrite: bool = False,
        atlas: bool = True,
        sheet: bool = True,
    ) -> Path:
        """Write the survey to a folder, whole or not at all.

        Parameters
        ----------
        atlas
            Sweep the wind atlas and write it into ``atlas/``; one that would not change is taken
            from the survey that is overwritten.
        sheet
            Draw survey.png.

        Raises
        ------
        OutputError
            If the folder exists and `overwrite` is not given, or is not a survey.
        """
        from sitegeo.surveys import preview  # noqa: PLC0415 (draws; not needed to open one)

        out = Path(folder)
        with output.replacing(out, SURVEY_MARKER, overwrite=overwrite) as new:
            classes = {f"class_{c.value}": c.name.lower() for c in Cover}
            store.save_layers(new, self.layers, {"cover": classes})
            if sheet:
                preview.draw_preview(self, new / "survey.png")
            record = dict(self.record)
            if atlas:
                record[ATLAS_FOLDER] = _save_atlas(self.layers, new / ATLAS_FOLDER, out)
            store.write_json(new / SURVEY_MARKER, record)
            if self.timings:
                store.write_json(new / "timings.json", dict(self.timings))
        return out

    @property
    def atlas(self) -> Atlas:
        """The wind atlas; raises `SurveyError` if it was not made, or not saved yet."""
        if self.folder is None:
            raise SurveyError("has no wind atlas before it is saved", remedy="Save and open it")
        return Atlas.open(self.folder / ATLAS_FOLDER)

    @property
    def title(self) -> str:
        """Name of the place."""
        return str(self.record["title"])

    @cached_property
    def grid(self) -> Grid:
        """Grid of the place."""
        held = self.record["grid"]
        shape = (int(held["rows"]), int(held["columns"]))
        return Grid(self.crs, held["west_m"], held["north_m"], held["pixel_m"], shape)

    @cached_property
    def crs(self) -> CRS:
        """The one CRS of the place."""
        return CRS.from_wkt(self.record["crs_wkt"])

    @property
    def law(self) -> Law:
        """The law recorded with the survey."""
        return recorded_law(self.record["law"])

    @property
    def warnings(self) -> tuple[str, ...]:
        """What a person should know before trusting it."""
        return tuple(self.record["warnings"])


def survey(
    place: Place,
    *,
    law: Law | None = None,
    previous: Survey | None = None,
    on_step: Callable[[str], None] = lambda _name: None,
) -> Survey:
    """Return the survey of a place: every installed step that needs no wind, run once.

    Parameters
    ----------
    law
        The law chosen for this survey; by default the place's own, else the strictest of the
        examples, which never counts as chosen.
    previous
        An earlier survey; results of steps that would not change are taken from it.
    on_step
        Called with the name of each step before it runs.

    Raises
    ------
    StepError, LayerError, LawError
        If a step cannot run or breaks its contract, or the law file cannot be used.
    """
    governing = law or place_law(place)
    given, keys = place_layers(place, governing)
    order = steps.resolve(steps.installed(), have=given, later=inputs.MORNING_INPUTS)
    result = steps.run(
        order, given, keys, recall=_recall(previous), on_step=lambda s: on_step(s.name)
    )
    # What steps make, also where the place brings it ready-made.
    layers = {
        n: v
        for n, v in result.layers.items()
        if n in inputs.KEPT_IN_SURVEY or n not in inputs.PLACE_INPUTS
    }
    layers[store.PHOTO] = _picture(place.imagery)
    record = _record(place, governing, result)
    timings = {r.name: round(r.seconds, 3) for r in result.ran}
    return Survey(MappingProxyType(record), MappingProxyType(layers), timings)


def _save_atlas(layers: Mapping[str, Any], folder: Path, old: Path) -> dict[str, Any]:
    """Write the wind atlas, or carry it over from an old survey; return its record."""
    obstacles, halo = layers["obstacles"], layers.get("halo")
    record = {"key": atlas_key(obstacles, halo=halo), "sectors": SECTORS}
    kept = (old / ATLAS_FOLDER).is_dir() and store.read_json(old / SURVEY_MARKER).get(
        ATLAS_FOLDER
    ) == record
    if kept:
        shutil.copytree(old / ATLAS_FOLDER, folder)
    else:
        folder.mkdir()
        write_atlas(obstacles, folder, halo=halo)
    return record


def law_record(law: Law) -> dict[str, Any]:
    """Return a law as it is kept with results."""
    return {"chosen": law.chosen, "example": law.example, "rules": law.model_dump(mode="json")}


def recorded_law(held: Mapping[str, Any]) -> Law:
    """Return the law of a `law_record`; raises `SurveyError` if it cannot be read."""
    law = from_record(held["rules"], Law)
    if held["example"]:
        return law.as_example()
    return law.as_chosen() if held["chosen"] else law


def place_law(place: Place) -> Law:
    """Return the law a place names, chosen if its person confirmed it, or the strictest example."""
    if place.law_file is None:
        return strictest(shipped_laws())
    law = read_law(place.law_file)
    return law.as_chosen() if place.law.confirmed and not law.example else law


def place_layers(place: Place, law: Law) -> tuple[dict[str, Any], dict[str, str]]:
    """Return what a place brings to the steps, by name, and a key of each one's content."""
    given: dict[str, Any] = {
        "imagery": place.imagery,
        **place.vectors,
        **place.rasters,
        "assume": place.assume,
        "law": law,
    }
    hashes = {i.role: i.key for i in place.inputs}
    hashes["mapped_water"] = hashes.get("water", "")
    hashes["landcover_evergreen"] = hashes.get("landcover", "")
    frame = repr((place.grid, place.imagery.bands))
    keys = {name: f"{hashes.get(name, '')}:{frame}" for name in given}
    keys["assume"] = place.assume.model_dump_json()
    keys["law"] = law.model_dump_json()
    if place.fine_photo is not None:
        given["fine_photo"] = place.fine_photo
        keys["fine_photo"] = f"{keys['imagery']}:{place.fine_photo.times}"
    given["wade_m"], keys["wade_m"] = place.gear.wade_m, repr(place.gear.wade_m)
    if place.taken is not None:
        given["taken"] = keys["taken"] = place.taken
    return given, keys


def _recall(
    previous: Survey | None,
) -> Callable[[steps.Step[..., Any], str], tuple[Any, ...] | None]:
    known = {} if previous is None else {s["name"]: s["hash"] for s in previous.record["steps"]}

    def recall(step: steps.Step[..., Any], key: str) -> tuple[Any, ...] | None:
        if previous is None or known.get(step.name) != key:
            return None
        if not set(step.made) <= set(previous.layers):
            return None
        return tuple(previous.layers[name] for name in step.made)

    return recall


def _picture(photo: Raster) -> Raster:
    """Return the photo as it is shown: red, green and blue, stretched to the eye."""
    shown = photo.bands if {"red", "green", "blue"} <= set(photo.bands) else ()
    bands = [photo.band(n) for n in (("red", "green", "blue") if shown else photo.bands[:3])]
    # One stretch for all bands keeps the colours honest.
    some = np.flatnonzero(photo.mask)[::37]
    low, high = np.percentile([band.ravel()[some] for band in bands], [0.5, 99.5])
    scale = np.float32(255 / max(high - low, 1e-6))
    picture = np.empty((3, *photo.grid.shape), np.uint8)
    for plane, band in zip(picture, bands, strict=True):
        stretched = (band.astype(np.float32) - np.float32(low)) * scale
        plane[:] = np.clip(stretched, 0, 255, out=stretched)
    return Raster(picture, photo.grid, photo.valid, ("red", "green", "blue"))


def _record(place: Place, law: Law, result: steps.StepRun) -> dict[str, Any]:
    grid = place.grid
    fit = _water_agreement(result)
    return {
        "schema": SURVEY_SCHEMA,
        "sitegeo_version": __version__,
        "title": place.title,
        "place": place.source.name,
        "crs": grid.crs.to_string(),
        "crs_wkt": grid.crs.to_wkt(),
        "grid": {
            "west_m": grid.west,
            "north_m": grid.north,
            "pixel_m": grid.pixel_m,
            "rows": grid.shape[0],
            "columns": grid.shape[1],
        },
        "zone": place.zone,
        "taken": place.taken,
        "stage_m": place.stage_m,
        "credits": [{**c.model_dump(mode="json"), "words": c.words} for c in place.credits],
        "inputs": [asdict(i) for i in place.inputs],
        "steps": [
            {"name": r.name, "package": r.package, "params": r.params, "hash": r.key}
            for r in result.ran
        ],
        "lake_shelter": lake_shelter(result.layers["water"], result.layers["stations"]),
        "assume": place.assume.model_dump(mode="json"),
        "gear": place.gear.model_dump(mode="json"),
        "law": law_record(law),
        "terms": place.law.model_dump(mode="json", exclude={"file", "confirmed"}),
        "assumptions": _assumptions(place, result.layers),
        "water_agreement": None if fit is None else fit.record(),
        "warnings": [
            *place.notes,
            *_missing(place),
            *([] if "landcover" in place.rasters else caveats(place.imagery)),
            *drawn_short(result.layers["setbacks"]),
            *([] if fit is None else fit.words()),
        ],
    }


def _assumptions(place: Place, layers: Mapping[str, Any]) -> list[str]:
    told = []
    known = layers.get("evergreen")
    if place.assume.leaf_off is None and (known is None or (known.values == NOT_TOLD).all()):
        told.append(
            "trees are taken to stand bare in winter: neither a land cover nor a winter photo with "
            "infrared tells which are evergreen"
        )
    if "canopy" not in place.rasters and "surface" not in place.rasters:
        told.append(
            f"trees are taken as {place.assume.canopy_height_m:g} m tall, "
            f"± {place.assume.canopy_height_error_m:g} m, or as tall as their shadows in the "
            "photo say where its time is given: no canopy layer"
        )
    if "ground" not in place.rasters:
        told.append("banks are taken as no higher than the water: no ground layer")
    return told


def _water_agreement(result: steps.StepRun) -> Agreement | None:
    """Return how the map of the water fits what the photo shows on its own, if both are given."""
    photo, mapped = (result.layers.get(n) for n in ("photo_cover", "mapped_water"))
    if photo is None or mapped is None or mapped.empty:
        return None
    from sitegeo.shore.agreement import compare_with_map  # noqa: PLC0415 (not needed to open a survey)

    return compare_with_map(photo, mapped)


def caveats(photo: Raster) -> list[str]:
    """Return in words what a photo of these bands and pixels shows poorly (docs/accuracy.md)."""
    from sitegeo.landcover.land_classes import LandParams  # noqa: PLC0415 (not needed to open one)

    coarse = photo.grid.pixel_m > LandParams().coarsest_crown_m
    told = []
    if "nir" not in photo.bands:
        told.append(
            "the photo has no near-infrared: cover is read from colour and smoothness, worse than "
            "with it" + ("; ponds of a few acres are missed" if coarse else "")
        )
    if coarse:
        told.append(
            f"pixels of {photo.grid.pixel_m:g} m show no single crowns: only broad stands count "
            "as trees"
        )
    return told


def _missing(place: Place) -> list[str]:
    return [
        f"no {i.name.replace('_', ' ')} layer: {i.without}"
        for i in inputs.INPUTS
        if i.without and i.name not in place.vectors and i.name not in place.rasters
    ]
