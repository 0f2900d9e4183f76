"""A survey at the water of the day: its shore, depths and blinds at another stage."""

from __future__ import annotations

import re
from collections import ChainMap
from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Any, cast

import geopandas as gpd
import numpy as np

from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Raster
from sitegeo.core.models import from_record
from sitegeo.errors import UsageError
from sitegeo.places.config import Assume, GearKeys
from sitegeo.siting.candidates import assess_sites
from sitegeo.siting.stage import Stage, apply_stage
from sitegeo.surveys import pipeline
from sitegeo.surveys.survey import Survey
from sitegeo.units import ACRE_M2, LENGTHS_M, depth_text, metres

WATER_TODAY = "water_today"
"""The entry in a survey's record that says what moved."""

_MOST_M = 10.0
"""A greater change of the water is taken for a slip of unit or zero; judgement."""

_DRY_SHARE = 0.3
"""A blind whose share of open water falls by more than this is said to have lost it; judgement."""

_REMADE = ("water", "land", "stations", "obstacles")
"""Layers made again by the installed steps; positions and hides stay where they are."""

_GIVEN = re.compile(r"\s*([+\u2212-]?)\s*(\d+(?:\.\d+)?)\s*([A-Za-z]+)\s*")


def read_water_change(text: str, survey: Survey) -> float:
    """Return how much higher than in the photo the water stands, metres.

    ``"-2 ft"`` and ``"+0.3 m"`` are changes against the photo; a length without a sign is today's
    stage, read off the gauge whose reading at the photo is ``[place] stage_m``, or in the terms of
    ``[assume] water_level_m``.

    Raises
    ------
    UsageError
        For a length that cannot be read, a stage without one to set it against, or a change of
        more than 10 m.
    """
    match = _GIVEN.fullmatch(text)
    if match is None:
        raise UsageError(
            "this is not a level of the water",
            value=text,
            remedy=f'Write "-2 ft" or "+0.3 m" against the photo, or today\'s stage without a '
            f"sign; units are {', '.join(LENGTHS_M)}",
        )
    sign, number, unit = match.groups()
    length = metres(float(number), unit)
    if sign:
        change = length if sign == "+" else -length
    else:
        photo = survey.record.get("stage_m")
        photo = survey.record["assume"].get("water_level_m") if photo is None else photo
        if photo is None:
            raise UsageError(
                "the stage in the photo is not known",
                value=text,
                remedy="Write [place] stage_m in PLACE.toml and survey again, or give a change "
                'with its sign, such as "-2 ft"',
            )
        change = length - float(photo)
    if abs(change) > _MOST_M:
        raise UsageError(
            "the water would stand more than 10 m off its level in the photo",
            value=f"{text}: {change:+.1f} m",
            remedy="Check the unit and the gauge's zero",
        )
    return change


def with_water_level(survey: Survey, change_m: float) -> Survey:
    """Return a survey with the water higher, or lower, than in the photo.

    Positions and blinds keep their ids and places; what they stand in and look at is judged anew,
    and the record says what moved. Where the depth or ground layer that a change asks for is
    missing, the shore stays and a sentence says so.

    Raises
    ------
    StepError, LayerError
        If a step cannot run or breaks its contract.
    """
    if change_m == 0:
        return survey
    old: Mapping[str, Any] = survey.layers
    cover, depth, ground = old["cover"], old.get("depth"), old.get("ground")
    stage = apply_stage(
        cover.band("class"),
        change_m=change_m,
        canopy_height_m=old["canopy_height"].values,
        depth_m=_held(depth),
        ground_m=_held(ground),
    )
    values = cover.values.copy()
    values[cover.bands.index("class")] = stage.classes
    new: dict[str, Any] = {"cover": replace(cover, values=values)}
    if stage.depth_m is not None:
        new["depth"] = Raster(stage.depth_m, cover.grid, np.isfinite(stage.depth_m))
    if stage.ground_m is not None:
        new["ground"] = Raster(stage.ground_m, cover.grid, np.isfinite(stage.ground_m))
    assume = from_record(survey.record["assume"], Assume)
    inputs = {n: v for n, v in old.items() if n not in _REMADE and n != "candidates"}
    have = ChainMap(new, {"assume": assume}, inputs)
    new |= pipeline.make_layers(have, _REMADE)
    new["candidates"] = _judged(survey, old, new, assume)
    record = {**survey.record, WATER_TODAY: _record(stage, old, new, change_m)}
    layers = {name: old[name] for name in old} | new
    return Survey(MappingProxyType(record), MappingProxyType(layers))


def water_level_words(survey: Survey) -> tuple[str, ...]:
    """Return what is told of the water of the day; nothing where it stands as in the photo."""
    return tuple(survey.record.get(WATER_TODAY, {}).get("words", ()))


def _held(raster: Raster | None) -> Any:
    return None if raster is None else np.where(raster.mask, raster.values, np.nan)


def _judged(
    survey: Survey, old: Mapping[str, Any], new: Mapping[str, Any], assume: Assume
) -> gpd.GeoDataFrame:
    """Return the candidates judged anew at their places."""
    sites = old["candidates"][["id", "position_id", "kind", "facing_deg", "geometry"]]
    layers = ChainMap(dict(new), cast("dict[str, Any]", old))
    names = ("depth", "public_land", "closed_areas", "access")
    return assess_sites(
        sites,
        cover=new["cover"],
        assume=assume,
        wade_m=from_record(survey.record["gear"], GearKeys).wade_m,
        **{name: layers[name] for name in names if name in layers},
    )


def _record(
    stage: Stage, old: Mapping[str, Any], new: Mapping[str, Any], change_m: float
) -> dict[str, Any]:
    pixel_m2 = old["cover"].grid.pixel_m ** 2
    gained, lost = (float(mask.sum() * pixel_m2) for mask in (stage.flooded, stage.dry))
    was, now = old["candidates"], new["candidates"]
    at = (now.geometry.x.to_numpy(), now.geometry.y.to_numpy())
    wet = Raster(stage.flooded, old["cover"].grid).sample(*at, fill=0.0) > 0
    classes = new["cover"].sample(*at, fill=0.0)[0]
    lacking = (now["open_water"] < was["open_water"] - _DRY_SHARE).to_numpy()
    flooded = now.loc[wet | (classes == Cover.WATER), "id"].tolist()
    dry = now.loc[lacking, "id"].tolist()
    words = [_moved(gained, lost, change_m)]
    words += _missing(old, change_m)
    for ids, told in ((flooded, "with water at the hide"), (dry, "with the water gone from them")):
        if ids:
            words.append(f"{len(ids)} blinds {told}: {', '.join(ids[:6])}{', …' * (len(ids) > 6)}")
    return {
        "change_m": round(change_m, 3),
        "gained_m2": round(gained, 1),
        "lost_m2": round(lost, 1),
        "flooded": flooded,
        "dry": dry,
        "words": words,
    }


def _moved(gained_m2: float, lost_m2: float, change_m: float) -> str:
    side = "higher" if change_m > 0 else "lower"
    area, verb = (gained_m2, "gained") if change_m > 0 else (lost_m2, "lost")
    return (
        f"Water taken {depth_text(abs(change_m))} {side} than in the photo: "
        f"{area / ACRE_M2:.1f} acres of water {verb}; the photo shows the old shore"
    )


def _missing(old: Mapping[str, Any], change_m: float) -> list[str]:
    if change_m < 0 and old.get("depth") is None:
        return ["No depth layer: where the shore lies at this level is not known"]
    if change_m > 0 and old.get("ground") is None:
        return ["No ground layer: what the water floods at this level is not known"]
    return []
