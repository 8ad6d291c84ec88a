"""Compiled loop of the interpolation."""

from __future__ import annotations

from envlab.files.compiling import compiled_with
from envlab.units import FloatArray


@compiled_with(nogil=True, fastmath={"contract"}, error_model="numpy")
def upsample(padded: FloatArray, taps: FloatArray, out: FloatArray) -> None:
    """Write out[i·L + p] = Σ_k taps[p−1, k]·padded[i + k]; for p = 0 the sample itself, padded[i + K/2 − 1].

    taps is (L − 1, K) with K a multiple of 8; padded has at least out.size/L + K − 1 samples.
    """
    phases, length = taps.shape
    count = out.size // (phases + 1)
    if length % 8 or padded.size < count + length - 1:
        raise ValueError("too few samples for so many outputs, or taps not a multiple of 8")
    grid = out.reshape(count, phases + 1)
    for i, sample in enumerate(padded[length // 2 - 1 : length // 2 - 1 + count]):
        grid[i, 0] = sample
    lane = padded[:count].copy()
    for p in range(phases):
        lane[:] = 0.0
        # Eight shifted views at once: the inner loop then runs in vector lanes over i, and each output is
        # summed in the same order wherever it stands.
        for k in range(0, length, 8):
            h = taps[p, k : k + 8]
            h0, h1, h2, h3, h4, h5, h6, h7 = h[0], h[1], h[2], h[3], h[4], h[5], h[6], h[7]
            x0, x1 = padded[k : k + count], padded[k + 1 : k + 1 + count]
            x2, x3 = padded[k + 2 : k + 2 + count], padded[k + 3 : k + 3 + count]
            x4, x5 = padded[k + 4 : k + 4 + count], padded[k + 5 : k + 5 + count]
            x6, x7 = padded[k + 6 : k + 6 + count], padded[k + 7 : k + 7 + count]
            for i in range(count):
                total = lane[i]
                total += h0 * x0[i]
                total += h1 * x1[i]
                total += h2 * x2[i]
                total += h3 * x3[i]
                total += h4 * x4[i]
                total += h5 * x5[i]
                total += h6 * x6[i]
                total += h7 * x7[i]
                lane[i] = total
        for i in range(count):
            grid[i, p + 1] = lane[i]
