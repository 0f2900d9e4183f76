"""The water of the day on grounds whose answer is known beforehand."""

from __future__ import annotations

import numpy as np
import pytest
from helpers_terrain import centres

from sitegeo.core.contracts import Cover
from sitegeo.siting.stage import apply_stage

N, SLOPE, RADIUS = 300, 0.02, 80.0


def bowl() -> dict[str, np.ndarray]:
    """A cone of ground about a round lake, wooded to the north, reedy to the south, level 100 m."""
    east, north = centres(N, N)
    ground = 100.0 + SLOPE * (np.hypot(east, north) - RADIUS)
    classes = np.where(ground < 100.0, int(Cover.WATER), int(Cover.OPEN)).astype(np.uint8)
    land = classes == Cover.OPEN
    classes[land & (north > 60)] = Cover.TREE
    classes[land & (north < -60)] = Cover.LOW
    plants = np.select([classes == Cover.TREE, classes == Cover.LOW], [15.0, 2.0], 0.0)
    depth = np.where(classes == Cover.WATER, 100.0 - ground, np.nan)
    surface = np.where(classes == Cover.WATER, 100.0, ground)
    return {"classes": classes, "canopy_height_m": plants, "depth_m": depth, "ground_m": surface}


@pytest.mark.parametrize("change_m", [-1.0, -0.4])
def test_a_drawdown_bares_a_ring_of_bed(change_m: float) -> None:
    ground = bowl()
    found = apply_stage(**ground, change_m=change_m)
    shore = RADIUS + change_m / SLOPE
    ring = np.pi * (RADIUS**2 - shore**2)
    assert found.dry.sum() == pytest.approx(ring, rel=0.03)
    assert not found.flooded.any()
    assert (found.classes[found.dry] == Cover.OPEN).all()
    water = found.classes == Cover.WATER
    np.testing.assert_allclose(found.depth_m[water], (ground["depth_m"] + change_m)[water])
    assert np.isnan(found.depth_m[found.dry]).all()


def test_a_rise_floods_to_the_new_level() -> None:
    ground = bowl()
    found = apply_stage(**ground, change_m=0.5)
    shore = RADIUS + 0.5 / SLOPE
    assert found.flooded.sum() == pytest.approx(np.pi * (shore**2 - RADIUS**2), rel=0.03)
    np.testing.assert_allclose(
        found.depth_m[found.flooded], (100.5 - ground["ground_m"])[found.flooded]
    )
    was, now = ground["classes"][found.flooded], found.classes[found.flooded]
    assert (now[was == Cover.OPEN] == Cover.WATER).all()
    assert (now[was == Cover.TREE] == Cover.TREE).all()  # flooded timber
    assert (now[was == Cover.LOW] == Cover.LOW).all()  # reeds that stand out of half a metre


def test_reeds_that_go_under_are_water() -> None:
    ground = bowl()
    ground["canopy_height_m"] = np.where(ground["classes"] == Cover.LOW, 0.4, 0.0)
    found = apply_stage(**ground, change_m=0.5)
    drowned = found.flooded & (ground["classes"] == Cover.LOW) & (found.depth_m > 0.2)
    assert drowned.any()
    assert (found.classes[drowned] == Cover.WATER).all()


def test_up_and_down_again_is_where_it_was() -> None:
    ground = bowl()
    up = apply_stage(**ground, change_m=0.4)
    down = apply_stage(
        up.classes,
        change_m=-0.4,
        canopy_height_m=ground["canopy_height_m"],
        depth_m=up.depth_m,
        ground_m=up.ground_m,
    )
    water = ground["classes"] == Cover.WATER
    assert ((down.classes == Cover.WATER) == water).mean() > 0.999
    np.testing.assert_allclose(down.depth_m[water], ground["depth_m"][water], atol=1e-6)


def test_a_perched_pond_keeps_its_level_and_dry_hollows_stay_dry() -> None:
    ground = bowl()
    pond, hollow = (slice(5, 25), slice(5, 25)), (slice(5, 25), slice(270, 290))
    ground["classes"][pond] = Cover.WATER
    ground["ground_m"][pond], ground["depth_m"][pond] = 104.0, 0.5
    ground["ground_m"][hollow] = 99.0  # lower than the lake, behind higher ground
    down, up = (apply_stage(**ground, change_m=c) for c in (-0.8, 0.3))
    assert (down.classes[pond] == Cover.WATER).all()
    np.testing.assert_allclose(down.depth_m[pond], 0.5)
    assert not up.flooded[hollow].any()


def test_what_is_not_known_does_not_move() -> None:
    ground = bowl()
    blind = {**ground, "depth_m": None}
    assert not apply_stage(**blind, change_m=-1.0).dry.any()
    flat = {**ground, "ground_m": None}
    assert not apply_stage(**flat, change_m=1.0).flooded.any()
    deeper = apply_stage(**flat, change_m=1.0)
    water = ground["classes"] == Cover.WATER
    np.testing.assert_allclose(deeper.depth_m[water], ground["depth_m"][water] + 1.0)


def test_the_inputs_are_left_as_they_are() -> None:
    ground, kept = bowl(), bowl()
    apply_stage(**ground, change_m=-0.7)
    for name, plane in ground.items():
        np.testing.assert_array_equal(plane, kept[name])
