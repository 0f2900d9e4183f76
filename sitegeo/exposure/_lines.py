"""The compiled core of the sweep: strips of parallel lines walked downwind, tile by tile.

Lengths are in steps along the line, heights in decimetres; a *lane* is one line of a strip.
Row ``s`` of a tile is the raster row (or column) ``k0 + s`` along the wind, moved sideways by
``shift[k0 + s]``. Loops over lanes vectorise; lanes that need a branch are first marked, then
visited. `sweep_strips` is compiled on first use and cached on disk; the cache knows only this
file, so all of the kernel is in it.
"""

# mypy: disable-error-code="untyped-decorator,no-untyped-def,no-untyped-call"
# ruff: noqa: PLR0912, PLR0915, PLR0917
from __future__ import annotations

from typing import Any

import numba
import numpy as np

UNKNOWN_PIXEL = -32768  # a pixel with no data
LANES = 512  # lines in a strip, a multiple of 8: its state stays in the second-level cache
TILE_STEPS = 32  # steps in a tile
CLASS_COUNT = 4  # density classes, the two low bits of a land pixel
TALLEST_DM = 8191  # what thirteen bits hold
LEAST_DM = 10  # obstacles under 1 m are ignored; judgement
DEPTH = 64  # points kept on a hull; natural profiles need fewer than twenty

CODE_SHIFT = 18  # keeps five bits of the mantissa: 32 codes to a doubling
CODE_TOP = 4257  # code 1 is 64 heights away

_LEAST = LEAST_DM << 2
_EDGE = 1 << 20  # added to the step count of a line that has met no land yet
_NEVER = 2**31 - 1
_X_BITS = 13  # a hull point is step << 13 | height
MOST_STEPS = (1 << (31 - _X_BITS)) - 1  # steps that fit there
_FAR = np.float32(1e30)  # "no obstacle" as an inverse height

_options: dict[str, Any] = {"nogil": True, "error_model": "numpy", "boundscheck": False}
jit = numba.njit(**_options)


@jit
def _carry(tile, raster, shift, k0, line0, way, scratch, back):
    """Copy a tile out of the raster or, `back`, to where its pixels came from.

    `line0` is the tile's first lane, `way` (backwards, by columns). By columns the copy is a
    transpose, done in two moves, by fours and within fours, of which the second vectorises.
    """
    backward, by_column = way
    length, width = tile.shape
    n_rows, n_columns = raster.shape
    if not by_column:
        for step in range(length):
            row = n_rows - 1 - k0 - step if backward else k0 + step
            column = line0 + shift[k0 + step]
            lo = max(0, -column)
            hi = min(width, n_columns - column)
            if lo < hi and back:
                raster[row, column + lo : column + hi] = tile[step, lo:hi]
            elif lo < hi:
                tile[step, lo:hi] = raster[row, column + lo : column + hi]
        return
    low = line0 + min(shift[k0], shift[k0 + length - 1])
    high = line0 + max(shift[k0], shift[k0 + length - 1])
    # Rows that the tile holds in all of its steps, and first those it holds in some.
    full = max(0, high)
    n = max(0, min(n_rows, width + low) - full) if length == TILE_STEPS else 0
    start = n_columns - k0 - length if backward else k0
    for row in range(max(0, low), min(n_rows, width + high)):
        if full <= row < full + n:
            continue
        for step in range(length):
            lane = row - line0 - shift[k0 + step]
            column = start + (length - 1 - step if backward else step)
            if 0 <= lane < width and back:
                raster[row, column] = tile[step, lane]
            elif 0 <= lane < width:
                tile[step, lane] = raster[row, column]
    if n == 0:
        return
    four, fours, turned, turned_fours = scratch
    if not back:
        for i in range(n):
            _copy(raster[full + i, start : start + TILE_STEPS], turned[i])
    onward = -1 if backward else 1
    for group in range(TILE_STEPS // 4):
        step = TILE_STEPS - 1 - 4 * group if backward else 4 * group
        at = full - line0 - shift[k0 + step]
        a = tile[step, at : at + n]
        at = full - line0 - shift[k0 + step + onward]
        b = tile[step + onward, at : at + n]
        at = full - line0 - shift[k0 + step + 2 * onward]
        c = tile[step + 2 * onward, at : at + n]
        at = full - line0 - shift[k0 + step + 3 * onward]
        d = tile[step + 3 * onward, at : at + n]
        if back:
            _collect(four, a, b, c, d)
            for i in range(n):
                turned_fours[i, group] = fours[i]
        else:
            for i in range(n):
                fours[i] = turned_fours[i, group]
            _deal(four, a, b, c, d)
    if back:
        for i in range(n):
            _copy(turned[i], raster[full + i, start : start + TILE_STEPS])


@jit
def _copy(source, target):
    # A loop of fixed length becomes one move; a slice assignment costs thirty.
    for i in range(TILE_STEPS):
        target[i] = source[i]


@jit
def _deal(four, a, b, c, d):
    for i in range(a.size):
        a[i] = four[4 * i]
        b[i] = four[4 * i + 1]
        c[i] = four[4 * i + 2]
        d[i] = four[4 * i + 3]


@jit
def _collect(four, a, b, c, d):
    for i in range(a.size):
        four[4 * i] = a[i]
        four[4 * i + 1] = b[i]
        four[4 * i + 2] = c[i]
        four[4 * i + 3] = d[i]


@jit
def _look_ahead(tile, later, tallest, class_bits):
    """Find the tallest land of one class still to come in each run of land of the tile.

    Land no taller than that need not go on the hull: in a wood, all but a few in a hundred.
    """
    tallest[:] = -1
    for step in range(tile.shape[0] - 1, -1, -1):
        z = tile[step, 1 : LANES + 1]
        out = later[step]
        for i in range(LANES):
            own = z[i]
            best = tallest[i]
            out[i] = best if own >= 0 else np.int16(-1)
            run = max(own, best) if np.int16(own ^ best) & class_bits == 0 else own
            tallest[i] = run if own >= 0 else np.int16(-1)


@jit
def _run(z, count, step_m, fetch, at_least):
    """Advance the count of water steps; write the fetch and the flag of running off the data."""
    for i in range(z.size):
        v = z[i]
        c = np.int32(count[i] + 1) if v < 0 else np.int32(0)
        c = np.int32(_EDGE) if v == UNKNOWN_PIXEL else c
        count[i] = c
        metres = np.rint((np.float32(c & (_EDGE - 1)) - np.float32(0.5)) * step_m)
        far = metres > np.float32(65534)
        whole = np.int32(65534) if far else np.int32(metres)
        water = (v < 0) & (v != UNKNOWN_PIXEL)
        fetch[i] = np.int16(whole if water else np.int32(65535))
        at_least[i] = water & (far | (c >= _EDGE))


@jit
def _close_gates(left, right, gate, count):
    """Note the lower, as thin as the thinner, beside a diagonal step; two of land end the water."""
    for i in range(gate.size):
        lower = min(left[i], right[i])
        gate[i] = np.int16((lower & ~3) | max(left[i] & 3, right[i] & 3)) if lower >= 0 else lower
        count[i] = 0 if lower >= 0 else count[i]


@jit
def _mark(z, later, level, next_look, k, class_bits, event):
    """Mark the lanes to visit: land to put on the hull, or water that must look again."""
    for i in range(z.size):
        look = (next_look[i] <= k) | (z[i] != level[i])
        water = (z[i] < 0) & (z[i] != UNKNOWN_PIXEL)
        crest = (z[i] > later[i]) | (((z[i] ^ later[i]) & class_bits) != 0)
        event[i] = (look & water) | (crest & (z[i] >= _LEAST))


@jit
def _mark_gates(z, later, gate, class_bits, event):
    """Mark the lanes whose gate, in its class, tops their own pixel and what is to come."""
    for i in range(z.size):
        crest = (gate[i] > later[i]) | (((gate[i] ^ later[i]) & class_bits) != 0)
        tops = (gate[i] > z[i]) | (((gate[i] ^ z[i]) & class_bits) != 0)
        event[i] |= crest & (gate[i] >= _LEAST) & tops & (z[i] != UNKNOWN_PIXEL)


@jit
def _push(stack, depth, i, x, height):
    """Put a point on the hull of lane `i`, nearest last, dropping those it hides for good.

    A point no taller than a nearer one, or on or under the chord between its neighbours, is
    never the steepest seen from anywhere farther downwind, at any level. A hull deeper than
    `DEPTH` loses its nearest point but one.
    """
    d = depth[i]
    while d > 0:
        top = stack[d - 1, i]
        h_top = top & TALLEST_DM
        x_top = top >> _X_BITS
        if h_top > height:
            if x_top >= x:
                depth[i] = d
                return
            if d == 1:
                break
            under = stack[d - 2, i]
            drop = (h_top - height) * (x - (under >> _X_BITS))
            if drop > ((under & TALLEST_DM) - height) * (x - x_top):
                break
        d -= 1
    d = min(d, DEPTH - 1)
    stack[d, i] = (x << _X_BITS) | height
    depth[i] = d + 1


@jit
def _look(stack, d, i, k, level, step_dm, top_x, top_inv):
    """Find the steepest point seen from step `k`.

    Starts at hull point `d`; returns where it stopped (seen from one level, what has been
    passed over is never the steepest again) and the step at which the next takes over.
    """
    while d > 0 and (stack[d - 1, i] & TALLEST_DM) - level < LEAST_DM:
        d -= 1
    if d == 0:
        top_x[i] = -1
        top_inv[i] = _FAR
        return 0, _NEVER
    cross = _NEVER
    while True:
        x = stack[d - 1, i] >> _X_BITS
        height = (stack[d - 1, i] & TALLEST_DM) - level
        if d == 1:
            break
        x_far = stack[d - 2, i] >> _X_BITS
        h_far = (stack[d - 2, i] & TALLEST_DM) - level
        if height * (k - x_far) > h_far * (k - x):
            cross = -((height * x_far - h_far * x) // (h_far - height))
            break
        d -= 1
    top_x[i] = x
    top_inv[i] = np.float32(step_dm / height)
    return d, cross


@jit
def _list(event, groups, lanes):
    """List the marked lanes; `groups` is `event` seen by eights, most of them empty."""
    n = 0
    for group in range(groups.size):
        if groups[group] != 0:
            for i in range(group * 8, group * 8 + 8):
                lanes[n] = i
                n += event[i]
    return n


@jit
def _visit(lanes, z, gate, turn, k, step_dm, level, next_look, hull):
    """Do what was marked: put land on the hulls, and let water look along them."""
    stack, depth, seen, cross, top_x, top_inv, used = hull
    bands = stack.shape[0]
    class_bits = bands - 1
    for i in lanes:
        v = z[i]
        if v >= _LEAST:
            b = v & class_bits
            _push(stack[b], depth[b], i, k, v >> 2)
            cross[b, i] = next_look[i] = 0
            seen[b, i] = depth[b, i]
            used[b] = True
        if turn != 0 and gate[i] >= _LEAST and (gate[i] > v or (gate[i] ^ v) & class_bits != 0):
            b = gate[i] & class_bits
            _push(stack[b], depth[b], i, k if v >= 0 else k - 1, gate[i] >> 2)
            cross[b, i] = next_look[i] = 0
            seen[b, i] = depth[b, i]
            used[b] = True
        if v >= 0:
            continue
        if v != level[i]:
            level[i] = v
            for b in range(bands):
                cross[b, i] = 0
                seen[b, i] = depth[b, i]
        soonest = _NEVER
        for b in range(bands):
            if k >= cross[b, i]:
                seen[b, i], cross[b, i] = _look(
                    stack[b], seen[b, i], i, k, ~v, step_dm, top_x[b], top_inv[b]
                )
            soonest = min(soonest, cross[b, i])
        next_look[i] = soonest


@jit
def _encode(z, top_x, top_inv, heights, k, code):
    """Write the horizon codes: the bits of the distance in heights, cut short."""
    bits = heights.view(np.int32)
    for i in range(z.size):
        heights[i] = np.float32(k - top_x[i]) * top_inv[i]
    for i in range(z.size):
        near = np.int32(CODE_TOP) - ((bits[i] + (1 << (CODE_SHIFT - 1))) >> CODE_SHIFT)
        near = np.int32(max(0, min(255, near)))
        code[i] = near if (z[i] < 0) & (z[i] != UNKNOWN_PIXEL) else np.int32(0)


@numba.njit(cache=True, **_options)
def sweep_strips(surface, outputs, shift, way, step_m, first_line, strips):
    """Sweep the strips of ``range(*strips)`` for one direction.

    `outputs` are fetch, flags and horizon codes; `way` is (backwards, by columns);
    `first_line` is the first lane of strip 0.
    """
    fetch, at_least, code = outputs
    bands = code.shape[0]
    n_steps, n_cross = surface.shape[::-1] if way[1] else surface.shape
    step_f = np.float32(step_m)
    hulls = max(bands, 1)
    class_bits = np.int16(hulls - 1)  # none, one or two bits

    # Tiles of pixels have a lane to spare on each side, and the last step of the tile before.
    tile = np.empty((TILE_STEPS + 1, LANES + 2), np.int16)
    later = np.empty((TILE_STEPS, LANES), np.int16)
    fetch_tile = np.empty((TILE_STEPS, LANES), np.int16)  # the bits of uint16
    flag_tile = np.empty((TILE_STEPS, LANES), np.uint8)
    code_tile = np.empty((hulls, TILE_STEPS, LANES), np.uint8)
    four = np.empty(4 * (LANES + 2), np.int16)
    turned = np.empty((LANES + 2, TILE_STEPS), np.int16)
    wide = (four, four.view(np.int64), turned, turned.view(np.int64))
    four_8 = np.empty(4 * LANES, np.uint8)
    turned_8 = np.empty((LANES, TILE_STEPS), np.uint8)
    narrow = (four_8, four_8.view(np.uint32), turned_8, turned_8.view(np.uint32))

    count = np.empty(LANES, np.int32)
    gate = np.empty(LANES, np.int16)
    level = np.empty(LANES, np.int16)
    tallest = np.empty(LANES, np.int16)
    event = np.empty(LANES, np.uint8)
    groups = event.view(np.uint64)
    lanes = np.empty(LANES + 1, np.int64)
    next_look = np.empty(LANES, np.int32)
    heights = np.empty(LANES, np.float32)
    stack = np.empty((hulls, DEPTH, LANES), np.int32)
    depth = np.empty((hulls, LANES), np.int32)
    seen = np.empty((hulls, LANES), np.int32)
    cross = np.empty((hulls, LANES), np.int32)
    top_x = np.empty((hulls, LANES), np.int32)
    top_inv = np.empty((hulls, LANES), np.float32)
    used = np.zeros(hulls, np.bool_)
    hull = (stack, depth, seen, cross, top_x, top_inv, used)

    for strip in range(strips[0], strips[1], strips[2]):
        line0 = first_line + strip * LANES
        tile[0] = UNKNOWN_PIXEL
        count[:] = _EDGE
        level[:] = -1
        next_look[:] = _NEVER
        depth[:] = 0
        seen[:] = 0
        cross[:] = _NEVER
        top_x[:] = -1
        top_inv[:] = _FAR
        used[:] = False
        code_tile[:] = 0
        for k0 in range(0, n_steps, TILE_STEPS):
            length = min(TILE_STEPS, n_steps - k0)
            side = min(shift[k0], shift[k0 + length - 1]), max(shift[k0], shift[k0 + length - 1])
            if line0 + LANES + side[1] <= 0 or line0 + side[0] >= n_cross:
                continue
            pixels = tile[1 : length + 1]
            pixels[:] = UNKNOWN_PIXEL
            _carry(pixels, surface, shift, k0, line0 - 1, way, wide, False)
            if bands > 0:
                _look_ahead(pixels, later, tallest, class_bits)
            for step in range(length):
                k = k0 + step
                lo = max(0, -(line0 + shift[k]))
                hi = min(LANES, n_cross - line0 - shift[k])
                if lo >= hi:
                    continue
                z = pixels[step, lo + 1 : hi + 1]
                turn = shift[k] - shift[k - 1] if k > 0 else 0
                if turn != 0:
                    left = tile[step, lo + 1 + turn : hi + 1 + turn]
                    right = pixels[step, lo + 1 - turn : hi + 1 - turn]
                    _close_gates(left, right, gate[lo:hi], count[lo:hi])
                _run(z, count[lo:hi], step_f, fetch_tile[step, lo:hi], flag_tile[step, lo:hi])
                if bands == 0:
                    continue
                event[:lo] = 0
                event[hi:] = 0
                mark, ahead = event[lo:hi], later[step, lo:hi]
                _mark(z, ahead, level[lo:hi], next_look[lo:hi], np.int32(k), class_bits, mark)
                if turn != 0:
                    _mark_gates(z, ahead, gate[lo:hi], class_bits, mark)
                found = _list(event, groups, lanes)
                if found > 0:
                    _visit(
                        lanes[:found], pixels[step, 1 : LANES + 1], gate, turn, k,
                        step_m * 10.0, level, next_look, hull,
                    )  # fmt: skip
                for b in range(bands):
                    if used[b]:
                        _encode(
                            z, top_x[b, lo:hi], top_inv[b, lo:hi], heights[: hi - lo],
                            np.int32(k), code_tile[b, step, lo:hi],
                        )  # fmt: skip
            tile[0] = tile[length]
            _carry(fetch_tile[:length], fetch, shift, k0, line0, way, wide, True)
            _carry(flag_tile[:length], at_least, shift, k0, line0, way, narrow, True)
            for b in range(bands):
                _carry(code_tile[b, :length], code[b], shift, k0, line0, way, narrow, True)
