"""Natural-looking curves, patches and textures, all from a seeded generator."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import scipy.fft
from scipy import ndimage as ndi
from scipy.interpolate import CubicSpline
from shapely.geometry import LineString, Polygon

Array = npt.NDArray[np.float64]
Image = npt.NDArray[np.float32]
Points = Sequence[tuple[float, float]]
XY = Sequence[tuple[float, float]] | Array


def smooth(points: XY, *, closed: bool, spacing_m: float = 4.0) -> Array:
    """Return a cubic spline through `points`, resampled about every `spacing_m`; shape (n, 2).

    Knots follow the square root of chord length (centripetal), which keeps the curve from looping
    where points are unevenly spaced. A closed curve does not repeat its first vertex.
    """
    p = np.asarray(points, float)
    if closed:
        p = np.vstack([p, p[:1]])
    t = np.concatenate([[0.0], np.cumsum(np.sqrt(np.hypot(*np.diff(p, axis=0).T)))])
    spline = CubicSpline(t, p, bc_type="periodic" if closed else "natural")
    fine = np.asarray(spline(np.linspace(t[0], t[-1], 4000)))
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(fine, axis=0).T))])
    at = np.linspace(0.0, run[-1], max(8, round(run[-1] / spacing_m)), endpoint=not closed)
    return np.column_stack([np.interp(at, run, fine[:, 0]), np.interp(at, run, fine[:, 1])])


def wobble(
    ring: Array, rng: np.random.Generator, *, amplitude_m: float, wavelengths_m: tuple[float, float]
) -> Array:
    """Return a closed ring pushed along its normals by a sum of waves in a band of wavelengths."""
    step = np.roll(ring, -1, axis=0) - ring
    length = np.hypot(*step.T).sum()
    s = np.linspace(0.0, 1.0, len(ring), endpoint=False)
    low, high = (max(1, round(length / w)) for w in reversed(wavelengths_m))
    push = np.zeros(len(ring))
    for k in range(low, high + 1):
        push += rng.normal() / np.sqrt(k) * np.sin(2 * np.pi * (k * s + rng.random()))
    push *= amplitude_m / max(float(push.std()), 1e-9)
    tangent = np.roll(ring, -1, axis=0) - np.roll(ring, 1, axis=0)
    normal = np.column_stack([tangent[:, 1], -tangent[:, 0]]) / np.hypot(*tangent.T)[:, None]
    return np.asarray(ring + normal * push[:, None])


def blob(
    centre: tuple[float, float],
    radii: tuple[float, float],
    rng: np.random.Generator,
    *,
    roughness: float = 0.12,
    turn_deg: float = 0.0,
) -> Polygon:
    """Return an irregular ellipse: `roughness` is the relative swing of its outline."""
    angle = np.linspace(0.0, 2 * np.pi, 72, endpoint=False)
    swing = np.zeros_like(angle)
    for k in range(2, 8):
        swing += rng.normal() / k * np.sin(k * angle + rng.uniform(0, 2 * np.pi))
    r = 1.0 + roughness * swing / max(float(np.abs(swing).max()), 1e-9) * 1.6
    x, y = radii[0] * r * np.cos(angle), radii[1] * r * np.sin(angle)
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    return Polygon(np.column_stack([centre[0] + c * x - s * y, centre[1] + s * x + c * y]))


def jitter(points: Points, rng: np.random.Generator, spread_m: float) -> Array:
    """Return points moved by a normal deviate of `spread_m`, cut at twice that."""
    p = np.asarray(points, float)
    return np.asarray(p + rng.normal(0.0, spread_m, p.shape).clip(-2 * spread_m, 2 * spread_m))


def curve(points: XY, spacing_m: float = 5.0) -> LineString:
    """Return a smooth open line through `points`."""
    return LineString(smooth(points, closed=False, spacing_m=spacing_m))


def soften(values: Array | Image, sigma_m: float) -> Image:
    """Return a Gaussian blur; a wide one is worked out on every fourth pixel."""
    fine = np.asarray(values, np.float32)
    if sigma_m < 8.0:
        return np.asarray(ndi.gaussian_filter(fine, sigma_m))
    rows, cols = fine.shape
    coarse = fine.reshape(rows // 4, 4, cols // 4, 4).mean(axis=(1, 3))
    coarse = ndi.gaussian_filter(coarse, sigma_m / 4.0)
    return np.asarray(ndi.zoom(coarse, 4, order=1, mode="nearest", grid_mode=True))


def texture(
    shape: tuple[int, int],
    rng: np.random.Generator,
    *,
    wavelengths_m: tuple[float, float],
    slope: float = 1.0,
    stretch: tuple[float, float] = (0.0, 1.0),
) -> Image:
    """Return band-limited noise with mean 0 and standard deviation 1, one cell a metre.

    `slope` is the fall of amplitude with frequency (0 white, 1 fractal). `stretch` is
    (direction in degrees anticlockwise from +x, ratio): grain is that much longer along it.
    """
    rows, cols = shape
    ky = scipy.fft.fftfreq(rows)[:, None].astype(np.float32)
    kx = scipy.fft.rfftfreq(cols)[None, :].astype(np.float32)
    c, s = np.cos(np.radians(stretch[0])), np.sin(np.radians(stretch[0]))
    k = np.hypot((kx * c - ky * s) * stretch[1], kx * s + ky * c).astype(np.float32)
    low, high = 1.0 / wavelengths_m[1], 1.0 / wavelengths_m[0]
    gain = np.where((k >= low) & (k <= high), np.maximum(k, 1e-6) ** -slope, 0.0)
    white = rng.standard_normal((rows, kx.shape[1]), dtype=np.float32) + 1j * rng.standard_normal(
        (rows, kx.shape[1]), dtype=np.float32
    )
    out = scipy.fft.irfft2(white.astype(np.complex64) * gain.astype(np.float32), s=shape)
    out -= out.mean()
    return np.asarray(out / max(float(out.std()), 1e-9), dtype=np.float32)
