"""The brightness table for the firmware: envelope counts in, duty codes out.

The supply's duty limit scales the curve, duty = duty_limit·Y; it never clips it. The top code is the largest
one that does not pass the duty_limit, and every other code is Y times the top code, rounded half up.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import ArrayLike

from envlab.errors import ParameterError, check_choice, check_range
from envlab.light.curve import CountMap, relative_luminance
from envlab.light.lightness import check_whole, lightness_cie1976, round_half_up
from envlab.notebook_view import small_table
from envlab.units import FloatArray, IntArray

if TYPE_CHECKING:
    import pandas as pd

Index = Literal["even", "octave"]
ENTRIES_MIN = 16
ENTRIES_MAX = 4096


@dataclass(frozen=True, eq=False, repr=False)
class LookupTable:
    """One brightness table and all that made it.

    With index "even" entry i belongs to i·full_scale_counts/(entries − 1) counts. With index "octave" there
    are s = (entries − 1)/log2(full_scale_counts) entries per doubling, even within each doubling, so that the
    index is the place of the top bit and the bits behind it; entry i belongs to 2^(i//s)·(1 + (i mod s)/s)
    counts; under one count reads entry 0.

    Parameters
    ----------
    duty_codes : ndarray of int
        Shape (entries,), never falling, 0 to duty_limit·(2^bits − 1).
    bits : int
        Depth of a code, 1 to 16.
    full_scale_counts : int
        Counts that the table reaches.
    duty_limit : float
        Largest duty that may be asked.
    count_map : CountMap
        Floor, ceiling and curve that made it.
    name : str
        What it is called in files.
    index : Index
        "even" or "octave", see above.
    base_light : float
        Share of full light that stays when all is quiet.
    notes : tuple of str
        What the reader of its files should know.

    Examples
    --------
    >>> import envlab
    >>> envlab.Chain().brightness_table()
    <LookupTable 'brightness': 1024 entries of 16 bit, top duty 0.276>
    """

    duty_codes: IntArray
    bits: int
    full_scale_counts: int
    duty_limit: float
    count_map: CountMap
    name: str = "brightness"
    index: Index = "even"
    base_light: float = 0.0
    notes: tuple[str, ...] = field(default=())

    def __post_init__(self) -> None:
        check_whole("bits", self.bits, 1, 16)
        check_whole("full_scale_counts", self.full_scale_counts, 1, 65_536)
        check_range("duty_limit", self.duty_limit, 0.0, 1.0)
        check_range("base_light", self.base_light, 0.0, 1.0)
        check_choice("index", self.index, ("even", "octave"))
        codes = _checked_codes(self.duty_codes, self.bits)
        if self.index == "octave":
            octaves = self.full_scale_counts.bit_length() - 1
            if self.full_scale_counts != 1 << octaves or octaves == 0 or (codes.size - 1) % octaves:
                limit = "a whole number of entries per doubling, plus one, for this index"
                raise ParameterError("duty_codes", codes.size, limit)
        if codes[-1] > _most_code(self.bits, self.duty_limit):
            most = _most_code(self.bits, self.duty_limit)
            limit = f"at most {most}, the duty limit of {self.duty_limit:g} at {self.bits} bit"
            raise ParameterError("duty_codes", int(codes[-1]), limit)
        object.__setattr__(self, "duty_codes", codes)

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, LookupTable):
            return NotImplemented
        return self._key() == other._key()

    def __hash__(self) -> int:
        return hash(self._key())

    def _key(self) -> tuple[object, ...]:
        made_of = (self.bits, self.full_scale_counts, self.duty_limit, self.count_map, self.name, self.index)
        return (self.duty_codes.tobytes(), *made_of, self.base_light, self.notes)

    def __repr__(self) -> str:
        top = f"top duty {self.duty_limit:.3g}"
        return f"<LookupTable {self.name!r}: {self.entries} entries of {self.bits} bit, {top}>"

    def _repr_html_(self) -> str:
        shown = sorted({round(place * (self.entries - 1) / 8) for place in range(9)})
        counts, duty = self.counts, self.duty
        rows = [(i, f"{counts[i]:.6g}", self.duty_codes[i], f"{duty[i]:.4f}") for i in shown]
        return small_table(repr(self)[1:-1], ("entry", "counts", "code", "duty"), rows)

    def to_frame(self) -> pd.DataFrame:
        """Return one row an entry: counts above quiescent, code, duty (0 to 1), lightness_lstar (L*)."""
        import pandas as pd

        luminance = np.minimum(self.duty_codes / self.brightest_code, 1.0)
        columns = {"counts": self.counts, "code": self.duty_codes, "duty": self.duty}
        return pd.DataFrame(columns | {"lightness_lstar": lightness_cie1976(luminance)}).rename_axis("entry")

    @property
    def counts(self) -> FloatArray:
        """Counts above quiescent that each entry belongs to, shape (entries,)."""
        entry = np.arange(self.entries)
        if self.index == "even":
            return np.asarray(entry * (self.full_scale_counts / (self.entries - 1)), dtype=np.float64)
        octave, step = np.divmod(entry, self.steps_per_octave)
        return np.asarray(np.ldexp(1.0 + step / self.steps_per_octave, octave))

    @property
    def entries(self) -> int:
        """Number of entries."""
        return int(self.duty_codes.size)

    @property
    def full_code(self) -> int:
        """The code of duty 1: 2^bits − 1."""
        return (1 << self.bits) - 1

    @property
    def brightest_code(self) -> int:
        """The brightest state under the duty_limit, whether the table reaches it or not.

        What Y and L* refer to.
        """
        return max(_most_code(self.bits, self.duty_limit), 1)

    @property
    def duty(self) -> FloatArray:
        """Duty (entries,) of each entry, 0..1."""
        return self.duty_codes / self.full_code

    @property
    def steps_per_octave(self) -> int:
        """Entries per doubling of the counts; index "octave" only."""
        return (self.entries - 1) // (self.full_scale_counts.bit_length() - 1)

    @property
    def entry_counts(self) -> FloatArray:
        """Envelope counts (entries,) that each entry belongs to."""
        if self.index == "even":
            return np.arange(self.entries, dtype=np.float64) * (self.full_scale_counts / (self.entries - 1))
        octave, step = np.divmod(np.arange(self.entries), self.steps_per_octave)
        counts: FloatArray = np.ldexp(1.0 + step / self.steps_per_octave, octave)
        return counts

    def index_position(self, envelope_counts: ArrayLike) -> FloatArray:
        """Return the place (0..entries − 1, with fraction) of envelope counts in the table, any shape."""
        counts = np.clip(np.asarray(envelope_counts, dtype=np.float64), 0.0, self.full_scale_counts)
        if self.index == "even":
            return counts * (self.entries - 1) / self.full_scale_counts
        mantissa, exponent = np.frexp(np.maximum(counts, 1.0))
        return (exponent - 1 + 2.0 * mantissa - 1.0) * self.steps_per_octave

    def look_up(self, envelope_counts: ArrayLike) -> IntArray:
        """Return the duty codes of envelope counts above quiescent, any shape, as the firmware computes them.

        Linear between neighbouring entries, rounded half up; outside the table its first or last entry.
        Counts may have a fraction. Raises ParameterError for NaN.
        """
        position = self.index_position(envelope_counts)
        if np.isnan(position).any():
            raise ParameterError("envelope_counts", math.nan, "numbers")
        low = np.minimum(position.astype(np.int64), self.entries - 2)
        start = self.duty_codes[low]
        # 1e-9 keeps an exact half, which binary fractions may miss, on the side where integers put it.
        return round_half_up(start + (self.duty_codes[low + 1] - start) * (position - low) + 1e-9)


def build_table(
    count_map: CountMap,
    *,
    adc_bits: int,
    entries: int | None = None,
    bits: int = 16,
    duty_limit: float = 1.0,
    base_light: float = 0.0,
    name: str = "brightness",
    notes: tuple[str, ...] = (),
) -> LookupTable:
    """Return the table of a count map over an ADC's whole range, evenly spaced in counts.

    entries: None gives one per count (up to 12 bit ADCs), else 16..4096, or 2^k + 1 with k = 4..12 for
    interpolation: then entry i belongs to i·2^(adc_bits − k) counts, a plain shift in firmware. Any other
    number spreads over 0..2^adc_bits − 1. bits: depth of the pixel, 1..16. duty_limit: duty at full light,
    0..1. base_light: share of full light that stays on when all is quiet, 0..1.
    """
    check_whole("adc_bits", adc_bits, 4, 16)
    if entries is None:
        if adc_bits > 12:
            raise ParameterError(
                "entries", None, f"stated, up to {ENTRIES_MAX + 1}, for {adc_bits} bit counts"
            )
        entries = 1 << adc_bits
    check_whole("entries", entries, ENTRIES_MIN, ENTRIES_MAX + 1)
    steps = entries - 1
    shift_wise = steps & (steps - 1) == 0
    full_scale = (1 << adc_bits) if shift_wise else (1 << adc_bits) - 1
    if steps > full_scale:
        raise ParameterError("entries", entries, f"at most {(1 << adc_bits) + 1} for {adc_bits} bit counts")
    counts = np.arange(entries) * (full_scale / steps)
    codes = duty_codes(
        relative_luminance(counts, count_map), bits=bits, duty_limit=duty_limit, base_light=base_light
    )
    return LookupTable(
        codes, bits, full_scale, float(duty_limit), count_map, name, "even", float(base_light), notes
    )


def build_octave_table(
    count_map: CountMap,
    *,
    adc_bits: int,
    steps_per_octave: int = 16,
    bits: int = 16,
    duty_limit: float = 1.0,
    base_light: float = 0.0,
    name: str = "brightness",
    notes: tuple[str, ...] = (),
) -> LookupTable:
    """Return the table of a count map with a log-spaced index: so many entries per doubling of the counts.

    steps_per_octave: 1, 2, 4 … 256 (a power of two, so that firmware takes the bits behind the top bit).
    It has adc_bits·steps_per_octave + 1 entries, which must be 16..4097. base_light and all other arguments
    as build_table.
    """
    check_whole("adc_bits", adc_bits, 4, 16)
    check_whole("steps_per_octave", steps_per_octave, 1, 256)
    if steps_per_octave & (steps_per_octave - 1):
        raise ParameterError("steps_per_octave", steps_per_octave, "a power of two from 1 to 256")
    check_whole("entries", adc_bits * steps_per_octave + 1, ENTRIES_MIN, ENTRIES_MAX + 1)
    octave, step = np.divmod(np.arange(adc_bits * steps_per_octave + 1), steps_per_octave)
    counts = np.ldexp(1.0 + step / steps_per_octave, octave)
    codes = duty_codes(
        relative_luminance(counts, count_map), bits=bits, duty_limit=duty_limit, base_light=base_light
    )
    return LookupTable(
        codes, bits, 1 << adc_bits, float(duty_limit), count_map, name, "octave", float(base_light), notes
    )


def duty_codes(luminance: FloatArray, *, bits: int, duty_limit: float, base_light: float = 0.0) -> IntArray:
    """Return the duty codes of relative luminance (0..1), any shape: round half up of top·Y.

    base_light: as in build_table. top = the largest code whose duty does not pass the duty limit. Raises
    ParameterError when that is 0.
    """
    check_whole("bits", bits, 1, 16)
    check_range("base_light", base_light, 0.0, 1.0)
    return round_half_up((base_light + (1.0 - base_light) * luminance) * top_code(bits, duty_limit))


def top_code(bits: int, duty_limit: float) -> int:
    """Return the largest code of so many bits whose duty does not pass the duty limit (0..1)."""
    check_range("duty_limit", duty_limit, 0.0, 1.0)
    top = _most_code(bits, duty_limit)
    if top < 1:
        raise ParameterError(
            "duty_limit", duty_limit, f"at least {1 / ((1 << bits) - 1):.3g}, one code of {bits} bit"
        )
    return top


def _most_code(bits: int, duty_limit: float) -> int:
    # A duty limit of exactly k codes must give k although k/full·full may fall just short of it.
    return math.floor(duty_limit * ((1 << bits) - 1) + 1e-9)


def _checked_codes(values: ArrayLike, bits: int) -> IntArray:
    codes = np.array(values)
    if codes.ndim != 1 or codes.size < 2 or not np.issubdtype(codes.dtype, np.integer):
        raise ParameterError("duty_codes", codes.shape, "a row of at least two whole numbers")
    whole = codes.astype(np.int64)
    if whole.min() < 0 or whole.max() >= 1 << bits:
        raise ParameterError("duty_codes", int(whole.max()), f"from 0 to {(1 << bits) - 1} for {bits} bit")
    if (np.diff(whole) < 0).any():
        where = int(np.argmax(np.diff(whole) < 0)) + 1
        raise ParameterError("duty_codes", int(whole[where]), f"never falling; entry {where} falls")
    whole.setflags(write=False)
    return whole
