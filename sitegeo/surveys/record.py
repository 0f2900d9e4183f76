"""survey.json: a survey as one JSON object, and the law kept in it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from sitegeo._version import __version__
from sitegeo.core import inputs, steps
from sitegeo.core.grid import Raster
from sitegeo.core.models import from_record
from sitegeo.exposure.banks import lake_shelter
from sitegeo.landcover.leaves import NOT_TOLD
from sitegeo.law.rules import Law
from sitegeo.law.setbacks import setbacks_drawn_too_small

if TYPE_CHECKING:
    from sitegeo.landcover.cover import ReadingTrust
    from sitegeo.places.place import Place
    from sitegeo.shore.agreement import Agreement

SURVEY_MARKER = "survey.json"
"""The file by which a folder is known as a survey."""

SURVEY_SCHEMA = "sitegeo/survey/1"

GIVE_WATER = "give mapped water as 'water' under [layers], or a finer photo with near-infrared"
"""What to do where a photo alone does not show the water."""


def law_record(law: Law) -> dict[str, Any]:
    """Return a law as it is kept with results."""
    return {"chosen": law.chosen, "example": law.example, "rules": law.model_dump(mode="json")}


def recorded_law(held: Mapping[str, Any]) -> Law:
    """Return the law of a `law_record`; raises `SurveyError` if it cannot be read."""
    law = from_record(held["rules"], Law)
    if held["example"]:
        return law.as_example()
    return law.as_chosen() if held["chosen"] else law


def survey_record(place: Place, law: Law, result: steps.StepRun) -> dict[str, Any]:
    """Return the object of survey.json.

    Parameters
    ----------
    place
        What was surveyed.
    law
        The law kept with it.
    result
        The steps that were run, and every layer.

    Returns
    -------
    dict
        Inputs with their hashes, steps with their parameters, assumptions and warnings.
    """
    from sitegeo.landcover.cover import judge_reading  # noqa: PLC0415 (not needed to open one)

    grid = place.grid
    fit = _water_agreement(result)
    trust = judge_reading(result.layers["cover"])
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
        "reading": asdict(trust),
        "warnings": [
            *reading_words(trust),
            *place.notes,
            *_missing(place),
            *([] if "landcover" in place.rasters else photo_caveats(place.imagery)),
            *setbacks_drawn_too_small(result.layers["setbacks"]),
            *([] if fit is None else fit.words()),
        ],
    }


def _assumptions(place: Place, layers: Mapping[str, Any]) -> list[str]:
    """Return in words what is assumed where the place brings no layer."""
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


def photo_caveats(photo: Raster) -> list[str]:
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


def reading_words(trust: ReadingTrust | None) -> list[str]:
    """Return a sentence where the water that was found is not to be trusted, none elsewhere."""
    if trust is None:
        return ["whether the water is to be trusted was never judged: survey again"]
    if trust.trusted:
        return []
    if trust.water_confidence is None:
        return [f"no water was found, which does not prove that there is none: {GIVE_WATER}"]
    return [
        f"the water is not to be trusted: it was told with {trust.water_confidence:.0f} % "
        f"confidence, and the photo alone cannot tell water from crop, dark ground or shade "
        f"here: {GIVE_WATER}"
    ]


def _missing(place: Place) -> list[str]:
    """Return in words which layers the place does not bring, and what that leaves unchecked."""
    return [
        f"no {i.name.replace('_', ' ')} layer: {i.without}"
        for i in inputs.INPUTS
        if i.without and i.name not in place.vectors and i.name not in place.rasters
    ]
