"""Where a blurred step between two textures lies, place by place along a line: the matched filter for it.

Across the line the picture is ``inside + step * Phi((x - shift) / blur)`` plus texture: on either side grain of its
own strength, coarse along and across the line in its own way (covariance exponential in both directions), and noise.
The shift is sought wave by wave along the line. For each wavelength the weights across the line that give it with the
least variance follow from the covariance (generalised least squares): a columnar grain that is dark from the line to
far inside then counts as grain, not as a shifted line. Each wave is shrunk by how much of it is noise: how far the
line wanders is what makes the waves found most likely.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

BLURS_PX = (0.8, 1.0, 1.2, 1.45, 1.7, 2.0, 2.3, 2.65, 3.0, 3.4, 3.8, 4.3, 4.8, 5.4, 6.0, 6.7, 7.5)
_TRIED = np.array([(blur, middle) for blur in BLURS_PX for middle in (-0.5, 0.0, 0.5)])
NODES = 10
"""Wavelengths at which the weights are worked out; between them they are interpolated."""
SHORTEST_PX = 9.0
WANDERS_PX = (0.25, 0.5, 1.0, 1.6, 2.4, 3.6, 5.4)
LONGEST_PX = (40.0, 80.0, 160.0)
"""Standard deviations of the wander, and the wavelengths below which it fades, that are tried."""
DRIFT, DRIFT_PX = 10.0, 60.0
"""Variance of the slow change of both levels that an uneven etch makes, and its length along the line."""
CLEAR_WAVE = 20.0
"""A wave whose square is more than this many variances of its noise is believed by itself."""
LEAST_VARIANCE = 0.6
"""Noise of the picture, grey levels squared: rounding and more."""


@dataclass(frozen=True, slots=True)
class Texture:
    """Grain of one side: variance in grey levels squared, correlation lengths along and across the line, px."""

    variance: float
    along_px: float
    across_px: float


@dataclass(frozen=True, slots=True)
class Edge:
    """The step as it lies now: its height outwards in grey levels, its blur, the textures, the noise's variance."""

    step: float
    blur_px: float
    weld: Texture
    parent: Texture
    noise: float


def normal_share(x: Floats) -> Floats:
    """Return the share of a normal distribution below x (Abramowitz and Stegun 7.1.26, within 2e-7)."""
    z = np.abs(x) / math.sqrt(2.0)
    t = 1.0 / (1.0 + 0.3275911 * z)
    tail = 0.5 * t * np.exp(-z * z) * (
        0.254829592 + t * (-0.284496736 + t * (1.421413741 + t * (-1.453152027 + t * 1.061405429)))
    )  # fmt: skip
    return np.asarray(np.where(x > 0, 1.0 - tail, tail))


def blur_of(rows: NDArray[np.float32], good: NDArray[np.bool_], offsets: Floats, inside: Floats, step: Floats) -> float:
    """Return the blur (standard deviation, px) that fits the mean profile across the line best."""
    share = (rows - inside[:, None]) / step[:, None]
    count = good.sum(axis=0)
    usable = count > 0.2 * len(rows)
    if usable.sum() < 8:
        return 3.0
    profile = np.where(good, share, 0.0).sum(axis=0)[usable] / count[usable]
    shapes = normal_share((offsets[usable] - _TRIED[:, 1:]) / _TRIED[:, :1])
    # Least squares of a level and a height for every shape at once: what is left over is what is not correlated.
    shapes = shapes - shapes.mean(axis=1, keepdims=True)
    profile = profile - profile.mean()
    explained = (shapes @ profile) ** 2 / np.maximum(np.sum(shapes**2, axis=1), 1e-12)
    return float(_TRIED[int(np.argmax(explained)), 0])


def texture_of(rest: Floats, good: NDArray[np.bool_], spacing_px: tuple[float, float]) -> tuple[Texture, float]:
    """Return the grain of a strip of residuals (N, J), and the variance that no neighbour shares (noise).

    ``spacing_px`` is the distance of samples along the line and across it.
    """
    values = np.where(good, rest, 0.0)
    if good.sum() < 50 or values.shape[1] < 4:
        return Texture(25.0, 5.0, 5.0), LEAST_VARIANCE
    level = float(values.sum() / good.sum())
    values = np.where(good, np.clip(values - level, -60, 60), 0.0)
    shown = good.astype(np.float64)
    # Sums of products of columns a lag apart are sums along a diagonal of one product of matrices.
    gram, pairs = values.T @ values, shown.T @ shown
    lags = min(values.shape[1], 12)
    total, *across = (_diagonals(gram, lags) / np.maximum(_diagonals(pairs, lags), 1.0)).tolist()
    along = []
    for lag in range(1, min(len(values), 8)):
        ends = slice(lag, None), slice(0, len(values) - lag)
        product, number = (float(np.vdot(part[ends[0]], part[ends[1]])) for part in (values, shown))
        along.append(product / max(number, 1.0))
    # The fall from no lag to one is noise as far as it exceeds the fall from one lag to two.
    noise = max(total - across[0] - max(across[0] - across[1], 0.0), 0.0) if len(across) > 1 else 0.0
    variance = max(total - noise, 1e-3)
    return Texture(
        variance, _length(along, variance, spacing_px[0]), _length(across, variance, spacing_px[1])
    ), max(noise, LEAST_VARIANCE)  # fmt: skip


def _diagonals(square: Floats, count: int) -> Floats:
    """Return the sums of the diagonal of a square (N, N) and of so many less one beside it, (count,)."""
    size = len(square)
    wide = np.zeros((size, size + count))
    wide[:, :size] = square
    down, along = wide.strides
    return np.asarray(np.lib.stride_tricks.as_strided(wide, (size, count), (down + along, along)).sum(axis=0))


def _length(covariances: list[float], variance: float, spacing_px: float) -> float:
    """Return the decay length of covariances at lags 1, 2, ..."""
    lags2 = falls = 0.0
    for number, covariance in enumerate(covariances, 1):
        lag, ratio = spacing_px * number, min(max(covariance / variance, 1e-3), 0.99)
        # log(ratio) = -lag / length, the higher correlations counting more.
        lags2 += (ratio * lag) ** 2
        falls -= ratio**2 * lag * math.log(ratio)
    return min(max(lags2 / falls, 0.7), 60.0)


def information(edge: Edge, offsets: Floats, waves_per_px: Floats, spacing_px: float) -> tuple[Floats, Floats]:
    """Return weights (K, J) for the shift by frequency along the line, and the information each gives (K,), 1/px^2.

    ``weights @ residual`` estimates the shift; the residual's unit is grey levels, its spectrum per sample.
    """
    x = offsets / edge.blur_px
    slope = -edge.step * np.exp(-0.5 * x**2) / (math.sqrt(2 * math.pi) * edge.blur_px)
    share = normal_share(x)
    lag = np.abs(offsets[:, None] - offsets[None, :])
    pairs = []
    for texture, part in ((edge.weld, 1.0 - share), (edge.parent, share)):
        shape = texture.variance * np.exp(-lag / texture.across_px) * part[:, None] * part[None, :]
        pairs.append((texture.along_px, shape))
    # The etch's slow drift moves the whole level: let it cost little, by a large variance of the mean of both sides.
    pairs.append((DRIFT_PX, DRIFT * (np.outer(1.0 - share, 1.0 - share) + np.outer(share, share))))
    covariance = np.repeat(np.eye(len(offsets))[None] * edge.noise, len(waves_per_px), axis=0)
    for along, shape in pairs:
        covariance += _spectrum(waves_per_px, along, spacing_px)[:, None, None] * shape
    solved = np.linalg.solve(covariance, np.repeat(slope[None, :, None], len(waves_per_px), axis=0))[..., 0]
    informations = np.maximum(solved @ slope, 1e-9)
    return np.asarray(solved / informations[:, None]), np.asarray(informations)


def _spectrum(waves_per_px: Floats, length_px: float, spacing_px: float) -> Floats:
    """Return the spectral density of samples correlated by exp(-lag / length), variance 1, per sample."""
    a = math.exp(-spacing_px / length_px)
    return np.asarray((1 - a * a) / (1 - 2 * a * np.cos(2 * math.pi * waves_per_px * spacing_px) + a * a))


@dataclass(frozen=True, slots=True, eq=False)
class Waves:
    """Waves along a line of ``count`` points that are 0 at the ends that are tied, orthonormal.

    They are sines of a whole number of half waves, or where one end is free of an odd number of quarter waves, up to
    the shortest one; by the fast Fourier transform of the line continued as they continue.

    Attributes
    ----------
    frequencies
        (K,) 1/px.
    """

    count: int
    tied: tuple[bool, bool]
    frequencies: Floats

    def of(self, values: Floats) -> Floats:
        """Return how much of each wave is in values along the line, (count,) or (count, J): (K,) or (K, J)."""
        values = values[::-1] if self._turned else values
        held = np.array(values, float)
        held[0] = 0.0
        if all(self.tied):
            held[-1] = 0.0
            period = np.concatenate([held, -held[-2:0:-1]])
        else:
            half = np.concatenate([held, held[:0:-1]])
            period = np.concatenate([half, np.zeros_like(held[:1]), -half[:0:-1]])
        spectrum = np.fft.rfft(period, axis=0)[self._places]
        return np.asarray(-spectrum.imag * (self._height / (2 if all(self.tied) else 4)))

    def along(self, amounts: Floats) -> Floats:
        """Return the sum of so much of each wave, (K,), along the line, (count,)."""
        spectrum = np.zeros(self._period // 2 + 1, complex)
        spectrum[self._places] = -0.5j * self._period * self._height * amounts
        values = np.fft.irfft(spectrum, self._period)[: self.count]
        return np.asarray(values[::-1] if self._turned else values)

    @property
    def _turned(self) -> bool:
        return self.tied[1] and not self.tied[0]

    @property
    def _period(self) -> int:
        return 2 * (self.count - 1) if all(self.tied) else 4 * self.count - 2

    @property
    def _height(self) -> float:
        return math.sqrt(2.0 / (self.count - (1.0 if all(self.tied) else 0.5)))

    @property
    def _places(self) -> NDArray[np.int64]:
        order = np.arange(1, len(self.frequencies) + 1)
        return order if all(self.tied) else 2 * order - 1


def waves(count: int, spacing_px: float, *, tied: tuple[bool, bool], shortest_px: float = SHORTEST_PX) -> Waves:
    """Return the waves along a line of so many points, so far apart."""
    length = count - (1.0 if all(tied) else 0.5)
    most = int(min(2 * length * spacing_px / shortest_px, count - 2))
    order = np.arange(1, most + 1) - (0.0 if all(tied) else 0.5)
    return Waves(count, tied, np.asarray(order / (2 * length * spacing_px), np.float64))


def wander_of(found: Floats, information_of: Floats, frequencies: Floats, scale: float = 1.0) -> Floats:
    """Return the variance of each wave (K,) that makes what was found likeliest, ``found`` being noisy shifts (K,).

    ``scale`` multiplies the lengths that are tried: pictures differ in how many pixels a millimetre has.
    """
    noise, square = 1.0 / information_of, found**2
    shapes = 1.0 / (1.0 + (np.array(LONGEST_PX)[:, None] * scale * frequencies) ** 2) ** 2
    shapes /= shapes.mean(axis=1, keepdims=True)
    tried = ((scale * np.array(WANDERS_PX)) ** 2)[:, None] * shapes[:, None]
    variances = tried + noise
    unlikely = np.sum(np.log(variances) + np.minimum(square / variances, 12.0), axis=2)
    best = tried.reshape(-1, len(found))[int(np.argmin(unlikely))]
    # A wave that stands clear of its noise is one, whatever its neighbours are.
    return np.asarray(np.maximum(best, square - CLEAR_WAVE * noise))
