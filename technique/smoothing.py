"""From a `Track` to a `Smoothed`: even time grid, outliers out, short gaps bridged, no lag."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from shared import landmarks as lm
from shared.track import Track
from technique import filters
from technique.smoothed import Smoothed

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

LONGEST_BRIDGE_S: Final = 0.05
"""Gaps up to this long are bridged (or two samples, where frames are far apart)."""
LEAST_BRIDGE_SAMPLES: Final = 2
SHORTEST_RUN_SAMPLES: Final = 5
"""Runs of seen samples shorter than this are not filtered and count as not seen."""
LEAST_CONFIDENCE: Final = 0.3
"""A point the pose model trusts less than this counts as not seen."""
OUTLIER_LEAST: Final = 0.02
"""Jumps below this share of the leg length are never taken for outliers."""
SLOWEST_NOISE_S: Final = 0.03
"""Longest time constant that landmark noise is credited with."""
LIGHT_SHARE_OF_RATE: Final = 0.40
LIGHT_HIGHEST_HZ: Final = 50.0
"""The lighter filter for events: this share of the frame rate, at most this many Hz."""

LOWEST_HARMONIC: Final[dict[str, float]] = {
    "head": 4.0,
    "shoulder": 4.0,
    "hip": 5.0,
    "elbow": 5.0,
    "wrist": 5.5,
    "hand": 5.5,
    "knee": 5.5,
    "ankle": 6.0,
    "heel": 6.0,
    "foot_index": 6.0,
}
"""Lowest cut-off in multiples of the stride frequency. On measured running the angles of thigh,
knee and foot had least error at 5 to 6 multiples, at its own pace and at twice it, for landmark
noise of 0.5 to 2 % of the leg (docs/events.md); arms and trunk by analogy."""
HIGHEST_OVER_LOWEST: Final = 2.0
"""Highest cut-off over the lowest."""
USUAL_STRIDE_HZ: Final = 1.4
"""Stride frequency assumed where the legs show none (84 strides a minute)."""
SLOWEST_STRIDE_HZ: Final = 0.6
FASTEST_STRIDE_HZ: Final = 3.2


def _kind(name: str) -> str:
    bare = name.removeprefix("left_").removeprefix("right_")
    if bare in LOWEST_HARMONIC:
        return bare
    return "hand" if bare in ("pinky", "index", "thumb") else "head"


def cutoff_limits(name: str, stride_hz: float, rate_hz: float) -> tuple[float, float]:
    """Lowest and highest cut-off of a landmark, Hz.

    Parameters
    ----------
    name : str
        One of `shared.landmarks.NAMES`.
    stride_hz : float
        Strides (of one leg) per second.
    rate_hz : float
        Samples per second; no cut-off passes `LIGHT_SHARE_OF_RATE` of it.
    """
    low = LOWEST_HARMONIC[_kind(name)] * stride_hz
    top = LIGHT_SHARE_OF_RATE * rate_hz
    return min(low, top), min(HIGHEST_OVER_LOWEST * low, top)


def stride_frequency(world_px: FloatArray, rate_hz: float) -> float:
    """Strides per second from the swing of the ankles about the hips.

    Parameters
    ----------
    world_px : (N, 33, 2) array
        On an even grid.
    rate_hz : float

    Returns
    -------
    float
        Hz; `USUAL_STRIDE_HZ` where no leg was seen for a second or none swings.
    """
    best, found = 0.0, USUAL_STRIDE_HZ
    for side in ("left", "right"):
        swing = world_px[:, lm.INDEX[f"{side}_ankle"], 0] - world_px[:, lm.INDEX[f"{side}_hip"], 0]
        stretches = runs(np.isfinite(swing))
        if not stretches:
            continue
        a, b = max(stretches, key=lambda r: r[1] - r[0])
        if b - a < rate_hz:
            continue
        x = (swing[a:b] - swing[a:b].mean()) * np.hanning(b - a)
        padded = int(2 ** np.ceil(np.log2(16 * (b - a))))
        power = np.abs(np.fft.rfft(x, padded)) ** 2
        frequency = np.fft.rfftfreq(padded, 1.0 / rate_hz)
        band = (frequency >= SLOWEST_STRIDE_HZ) & (frequency <= FASTEST_STRIDE_HZ)
        peak = float(power[band].max())
        if peak > best and float(np.std(swing[a:b])) > 0.1 * leg_length(world_px):
            best, found = peak, float(frequency[band][np.argmax(power[band])])
    return found


def frame_interval(time_s: FloatArray) -> float:
    """Capture interval that most frames keep, in seconds.

    Parameters
    ----------
    time_s : (T,) array
        Strictly increasing.

    Returns
    -------
    float
        Mean of the intervals within a quarter of the median, so that times rounded to a
        millisecond and dropped frames do no harm.
    """
    steps = np.diff(time_s)
    middle = float(np.median(steps))
    return float(np.mean(steps[np.abs(steps - middle) <= 0.25 * middle]))


def even_grid(time_s: FloatArray) -> FloatArray:
    """Even time grid from the first to the last sample, (N,) s."""
    step = frame_interval(time_s)
    count = int(np.floor((time_s[-1] - time_s[0]) / step + 1e-3)) + 1
    grid = time_s[0] + step * np.arange(count)
    if count == len(time_s) and np.max(np.abs(grid - time_s)) < 0.1 * step:
        # The file's own rounding: keep its frames one to one.
        offset = float(np.mean(time_s - grid))
        return np.asarray(grid + offset, dtype=np.float64)
    return np.asarray(grid, dtype=np.float64)


def on_grid(time_s: FloatArray, x: FloatArray, grid: FloatArray, bridge_s: float) -> FloatArray:
    """One landmark's coordinates on the grid; gaps longer than `bridge_s` stay NaN.

    Parameters
    ----------
    time_s : (T,) array
    x : (T, K) array
        NaN (in any column) where the point was not seen.
    grid : (N,) array
    bridge_s : float
        Longest time between two seen samples that is interpolated across.

    Returns
    -------
    (N, K) array
    """
    out = np.full((len(grid), x.shape[1]), np.nan)
    seen = np.all(np.isfinite(x), axis=1)
    t, v = time_s[seen], x[seen]
    if len(t) == 0:
        return out
    if len(t) == 1:
        nearest = int(np.argmin(np.abs(grid - t[0])))
        out[nearest] = v[0]
        return out
    # Each run is splined by itself, so that a long gap can't bend its neighbours.
    breaks = np.nonzero(np.diff(t) > bridge_s)[0] + 1
    margin = 0.25 * (grid[1] - grid[0]) if len(grid) > 1 else 0.0
    for first, last in zip(np.r_[0, breaks], np.r_[breaks, len(t)]):
        run_t, run_v = t[first:last], v[first:last]
        inside = (grid >= run_t[0] - margin) & (grid <= run_t[-1] + margin)
        if not inside.any():
            continue
        if len(run_t) < 4:
            at = np.clip(grid[inside], run_t[0], run_t[-1])
            out[inside] = np.stack([np.interp(at, run_t, column) for column in run_v.T], axis=1)
        else:
            out[inside] = CubicSpline(run_t, run_v, bc_type="natural")(grid[inside])
    return out


def runs(seen: BoolArray) -> list[tuple[int, int]]:
    """Start and end (exclusive) of each unbroken stretch of True."""
    edges = np.diff(np.r_[0, seen.astype(np.int8), 0])
    return list(zip(np.nonzero(edges == 1)[0].tolist(), np.nonzero(edges == -1)[0].tolist()))


def leg_length(world_px: FloatArray) -> float:
    """Hip-to-ankle length of the straight leg, px: the yardstick where there is no scale.

    Parameters
    ----------
    world_px : (T, 33, 2) array

    Returns
    -------
    float
        Median thigh plus median shank, mean of the sides; NaN where no leg was seen.
    """
    lengths = []
    for side in ("left", "right"):
        hip, knee, ankle = (world_px[:, lm.INDEX[f"{side}_{j}"]] for j in ("hip", "knee", "ankle"))
        thigh, shank = np.linalg.norm(hip - knee, axis=1), np.linalg.norm(knee - ankle, axis=1)
        if np.isfinite(thigh).any() and np.isfinite(shank).any():
            # A high quantile: limbs shorten when they turn out of the plane, they never lengthen.
            lengths.append(float(np.nanquantile(thigh, 0.7) + np.nanquantile(shank, 0.7)))
    return float(np.mean(lengths)) if lengths else float("nan")


def smooth(track: Track) -> Smoothed:
    """Landmarks of a track on an even grid, filtered without lag.

    Parameters
    ----------
    track : Track
        At least five frames.

    Returns
    -------
    Smoothed

    Raises
    ------
    ValueError
        If the track has fewer than five frames.

    Notes
    -----
    In this order: points the model does not trust are dropped; single-sample outliers are
    dropped (Hampel); each landmark is splined to the even grid, gaps up to `LONGEST_BRIDGE_S`
    are bridged and longer ones stay NaN; each unbroken run is filtered by itself (dual-pass
    Butterworth). The cut-off of each coordinate is the residual-analysis one, held between
    a lowest and a highest that go with the stride frequency (`cutoff_limits`).

    References
    ----------
    Winter DA. Biomechanics and Motor Control of Human Movement, 4th ed. 2009, section 3.4.
    """
    if len(track.time_s) < SHORTEST_RUN_SAMPLES:
        raise ValueError(f"a track needs at least {SHORTEST_RUN_SAMPLES} frames, got {len(track.time_s)}")
    grid = even_grid(track.time_s)
    step = float(grid[1] - grid[0])
    rate = 1.0 / step
    bridge = max(LONGEST_BRIDGE_S, LEAST_BRIDGE_SAMPLES * step) + 1.01 * step
    nearest = np.clip(np.searchsorted(track.time_s, grid), 1, len(track.time_s) - 1)
    nearest -= (grid - track.time_s[nearest - 1]) < (track.time_s[nearest] - grid)

    leg = leg_length(track.world_px)
    least = OUTLIER_LEAST * leg if np.isfinite(leg) else 0.0
    shape = (len(grid), lm.COUNT, 2)
    filtered, light = np.full(shape, np.nan), np.full(shape, np.nan)
    cutoff, noise, left = (np.full((lm.COUNT, 2), np.nan) for _ in range(3))
    light_hz = light_cutoff(rate)
    gridded: dict[int, tuple[FloatArray, list[tuple[int, int]]]] = {}
    for j in range(lm.COUNT):
        raw = track.world_px[:, j].copy()
        raw[track.confidence[:, j] < LEAST_CONFIDENCE] = np.nan
        bad = filters.outliers(raw[:, 0], least) | filters.outliers(raw[:, 1], least)
        raw[bad] = np.nan
        x = on_grid(track.time_s, raw, grid, bridge)
        stretches = [r for r in runs(np.isfinite(x[:, 0])) if r[1] - r[0] >= SHORTEST_RUN_SAMPLES]
        if stretches:
            gridded[j] = x, stretches
    placed = np.full(shape, np.nan)
    for j, (x, _stretches) in gridded.items():
        placed[:, j] = x
    for j, found in _cutoffs(gridded, rate, stride_frequency(placed, rate)).items():
        cutoff[j] = found
        x, stretches = gridded[j]
        for axis in range(2):
            for a, b in stretches:
                filtered[a:b, j, axis] = filters.zero_lag(x[a:b, axis], cutoff[j, axis], rate)
                light[a:b, j, axis] = filters.zero_lag(x[a:b, axis], light_hz, rate)
            noise[j, axis], left[j, axis] = noise_of(x[:, axis], filtered[:, j, axis], cutoff[j, axis], rate)
    return Smoothed(
        time_s=grid,
        rate_hz=rate,
        frame=track.frame[nearest],
        world_px=filtered,
        light_px=light,
        valid=np.isfinite(filtered[:, :, 0]),
        cutoff_hz=cutoff,
        noise_px=noise,
        noise_left_px=left,
    )


def light_cutoff(rate_hz: float) -> float:
    """Cut-off of the lighter filter that events use, Hz."""
    return min(LIGHT_SHARE_OF_RATE * rate_hz, LIGHT_HIGHEST_HZ)


def _cutoffs(
    gridded: dict[int, tuple[FloatArray, list[tuple[int, int]]]], rate_hz: float, stride_hz: float
) -> dict[int, FloatArray]:
    """Residual-analysis cut-off of x and y of each landmark from its longest run, within limits."""
    longest = {j: max(stretches, key=lambda r: r[1] - r[0]) for j, (_x, stretches) in gridded.items()}
    out: dict[int, FloatArray] = {}
    for a, b in set(longest.values()):
        members = [j for j, run in longest.items() if run == (a, b)]
        limits = np.array([cutoff_limits(lm.NAMES[j], stride_hz, rate_hz) for j in members])
        low, high = limits.T[:, :, None]
        if b - a < max(15, 0.4 * rate_hz):
            found = np.broadcast_to(0.5 * (low + high), (len(members), 2))
        else:
            columns = np.hstack([gridded[j][0][a:b] for j in members])
            found = np.clip(filters.residual_cutoff(columns, rate_hz)[0].reshape(-1, 2), low, high)
        out.update(zip(members, found))
    return out


def noise_of(x: FloatArray, filtered: FloatArray, cutoff_hz: float, rate_hz: float) -> tuple[float, float]:
    """Noise of one coordinate before and after filtering, 1 SD.

    Parameters
    ----------
    x, filtered : (N,) array
        Before and after; NaN in gaps.
    cutoff_hz, rate_hz : float

    Returns
    -------
    noise, left : float
        Same unit as `x`.

    Notes
    -----
    What the filter took away is scaled up by the share of white noise it takes away, robustly
    (median absolute deviation). The noise of a pose model is stronger at low frequencies, where
    it hides under the movement; so its spectrum above the cut-off is carried on below it as
    first-order noise (see `_slow_noise`), and the larger of the two estimates is given.
    """
    away = x - filtered
    good = np.isfinite(away)
    if good.sum() < SHORTEST_RUN_SAMPLES:
        return float("nan"), float("nan")
    kept, removed = filters.noise_gain(cutoff_hz, rate_hz)
    sd = 1.4826 * float(np.median(np.abs(away[good] - np.median(away[good])))) / removed
    slow_sd, slow_left = _slow_noise(x, cutoff_hz, rate_hz)
    return max(sd, slow_sd), max(kept * sd, slow_left)


def _slow_noise(x: FloatArray, cutoff_hz: float, rate_hz: float) -> tuple[float, float]:
    """SD of first-order noise, before and after the filter, told from the spectrum above the cut-off.

    The ratio of the levels in two bands gives the time constant (held below `SLOWEST_NOISE_S`, for
    quick movement leaks into the lower band and would pass for slow noise), the levels the size.
    """
    a, b = max(runs(np.isfinite(x)), key=lambda r: r[1] - r[0])
    n = b - a
    if n < max(30, 0.8 * rate_hz):
        return 0.0, 0.0
    window = np.hanning(n)
    run = (x[a:b] - np.linspace(x[a], x[b - 1], n)) * window
    power = np.abs(np.fft.rfft(run)) ** 2 / np.sum(window**2)
    frequency = np.fft.rfftfreq(n, 1.0 / rate_hz)
    low = min(1.4 * cutoff_hz, 0.25 * rate_hz)
    split, high = np.sqrt(low * 0.48 * rate_hz), 0.48 * rate_hz
    hair = 1e-6 * rate_hz  # so that a bin on the border stays on its side
    near = (frequency >= low - hair) & (frequency < split - hair)
    far = (frequency >= split - hair) & (frequency <= high + hair)
    if near.sum() < 4 or far.sum() < 4 or not power[near | far].all():
        return 0.0, 0.0
    turn = 2.0 * np.pi * frequency / rate_hz
    levels = [float(np.mean(np.log(power[band]))) + np.euler_gamma for band in (near, far)]
    slowest = float(np.exp(-1.0 / (rate_hz * SLOWEST_NOISE_S)))
    memory = np.linspace(0.0, slowest, 40)[:, None]
    shape = -np.log(1.0 - 2.0 * memory * np.cos(turn) + memory**2)
    ratio = shape[:, near].mean(axis=1) - shape[:, far].mean(axis=1)
    best = int(np.argmin(np.abs(ratio - (levels[0] - levels[1]))))
    level = np.exp(levels[1] - shape[best, far].mean())
    spectrum = level * np.exp(shape[best])
    warped = np.tan(np.pi * filters.single_pass_cutoff(cutoff_hz, rate_hz) / rate_hz)
    gain = 1.0 / (1.0 + (np.tan(np.minimum(turn, np.pi - 1e-9) / 2.0) / warped) ** 4)
    return float(np.sqrt(np.mean(spectrum))), float(np.sqrt(np.mean(spectrum * gain**2)))
