"""A survey: everything about a place that does not depend on the morning.

Composition only: reads nothing itself, runs the installed steps, keeps their results and the
record of how they were made.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np
from pyproj import CRS

from sitegeo.core import inputs, output, store
from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Grid, Raster
from sitegeo.core.steps import Step
from sitegeo.errors import SurveyError
from sitegeo.exposure.atlas import SECTORS, Atlas, atlas_key, write_atlas
from sitegeo.law.examples import example_laws, strictest_law
from sitegeo.law.rules import Law, read_law
from sitegeo.surveys import pipeline
from sitegeo.surveys.record import (
    GIVE_WATER,
    SURVEY_MARKER,
    SURVEY_SCHEMA,
    reading_words,
    recorded_law,
    survey_record,
)

if TYPE_CHECKING:
    import geopandas as gpd

    from sitegeo.landcover.cover import ReadingTrust
    from sitegeo.places.place import Place

ATLAS_FOLDER = "atlas"
"""The wind atlas within a survey's folder, and its entry in the record."""

_LOOK_AT_SHEET = "Look at survey.png"

_EVERY, _STRETCH = 37, (0.5, 99.5)
"""The photo is shown stretched between these percentiles of one pixel in so many; practice."""


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
        folder
            Where it is written.
        overwrite
            Replace a survey that is there.
        atlas
            Sweep the wind atlas and write it into ``atlas/``; one that would not change is taken
            from the survey that is overwritten.
        sheet
            Draw survey.png.

        Returns
        -------
        Path
            The folder.

        Raises
        ------
        OutputError
            If the folder exists and `overwrite` is not given, or is not a survey.
        """
        from sitegeo.surveys.preview import PNG_LEVEL, preview_image  # noqa: PLC0415 (slow: draws)

        out = Path(folder)
        with output.replacing(out, SURVEY_MARKER, overwrite=overwrite) as new:
            classes = {f"class_{c.value}": c.name.lower() for c in Cover}
            store.save_layers(new, self.layers, {"cover": classes})
            if sheet:
                image = preview_image(self.layers, title=self.title, warnings=self.warnings)
                image.save(new / "survey.png", "PNG", compress_level=PNG_LEVEL)
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
    def reading(self) -> ReadingTrust | None:
        """How far the water it found is to be trusted; None where an older survey never judged."""
        from sitegeo.landcover.cover import ReadingTrust  # noqa: PLC0415 (not needed to open one)

        held = self.record.get("reading")
        return None if held is None else ReadingTrust(**held)

    @property
    def reading_warnings(self) -> tuple[str, ...]:
        """In words why its water is not to be trusted; empty where it is."""
        return tuple(reading_words(self.reading))

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
    place
        What `read_place` read.
    law
        The law chosen for this survey; by default the place's own, else the strictest of the
        examples, which never counts as chosen.
    previous
        An earlier survey; results of steps that would not change are taken from it.
    on_step
        Called with the name of each step before it runs.

    Returns
    -------
    Survey
        In memory; its `save` writes it.

    Raises
    ------
    StepError, LayerError, LawError
        If a step cannot run or breaks its contract, or the law file cannot be used.
    """
    governing = law or place_law(place)
    given, keys = place_layers(place, governing)
    result = pipeline.run_for_place(given, keys, recall=_recall(previous), on_step=on_step)
    # What steps make, also where the place brings it ready-made.
    layers = {
        n: v
        for n, v in result.layers.items()
        if n in inputs.KEPT_IN_SURVEY or n not in inputs.PLACE_INPUTS
    }
    layers[store.PHOTO] = _picture(place.imagery)
    record = survey_record(place, governing, result)
    timings = {r.name: round(r.seconds, 3) for r in result.ran}
    return Survey(MappingProxyType(record), MappingProxyType(layers), timings)


def require_blinds(survey: Survey) -> gpd.GeoDataFrame:
    """Return the `candidates` of a survey; raises `SurveyError` where there is none."""
    found: gpd.GeoDataFrame = survey.layers["candidates"]
    if len(found):
        return found
    dry = survey.layers["water"].empty
    raise SurveyError(
        "the survey found no water, and so no blind" if dry else "the survey found no blind",
        where=survey.folder or survey.title,
        value=None if dry else f"{len(survey.layers['positions'])} positions",
        remedy=f"{_LOOK_AT_SHEET}, {GIVE_WATER}, and survey again"
        if dry
        else f"{_LOOK_AT_SHEET}, and name a hide of your own with --hide",
    )


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


def place_law(place: Place) -> Law:
    """Return the law a place names, chosen if its person confirmed it, or the strictest example."""
    if place.law_file is None:
        return strictest_law(example_laws())
    law = read_law(place.law_file)
    return law.as_chosen() if place.law.confirmed and not law.example else law


def place_layers(place: Place, law: Law) -> tuple[dict[str, Any], dict[str, str]]:
    """Return what a place brings to the steps, by name, and a key of each one's content.

    The keys tell when a step need not be run again, see `pipeline.run_for_place`.
    """
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


def _recall(previous: Survey | None) -> pipeline.Recall:
    known = {} if previous is None else {s["name"]: s["hash"] for s in previous.record["steps"]}

    def recall(step: Step[..., Any], key: str) -> tuple[Any, ...] | None:
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
    some = np.flatnonzero(photo.mask)[::_EVERY]
    low, high = np.percentile([band.ravel()[some] for band in bands], _STRETCH)
    scale = np.float32(255 / max(high - low, 1e-6))
    picture = np.empty((3, *photo.grid.shape), np.uint8)
    for plane, band in zip(picture, bands, strict=True):
        stretched = (band.astype(np.float32) - np.float32(low)) * scale
        plane[:] = np.clip(stretched, 0, 255, out=stretched)
    return Raster(picture, photo.grid, photo.valid, ("red", "green", "blue"))
