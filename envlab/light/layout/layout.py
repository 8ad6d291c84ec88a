"""Which pixels light: the layout of light, as a design file says it.

What the curve says of a picture that grows
-------------------------------------------
The brightness curve gives the light of the *whole*, whatever the layout. Where all pixels alike would have
the duty d, a layout shares out the same light: its pixels' duties add up to N*d (N pixels), or to a fixed
share of that where its pixels cannot take it all. The other reading would be that the curve gives the length
of a bar. It was not taken, for three reasons:

- Current. The sum of the duties is the current. Under one envelope a layout then takes what all alike take,
  in every frame, and its brightest state is theirs: a layout can be swapped for another, or compared with it,
  at the same current. A bar whose length is lightness takes half of all current at L* 50, where all alike
  take a fifth.
- Flashes. What counts from afar is the luminance of the whole. It is a straight line over the duty that the
  flash guard watches, so the guard stands before the layout and needs no sum of its own; see below.
- Nothing is lost. A bar's length is its light over that of one pixel. Who wants a length that is even in
  decibels says so with the curve: `curve = "power"`, `exponent = 1`.

What the guard counts
---------------------
W(d), the sum of all codes shown at the common duty d, never falls as d rises, and for a given d it is the
same in every frame: pixels that stand have fixed duties, and a travelling picture is turned as a whole. So a
change of the luminance of the whole is a change of d, in the same direction, and the guard on d sees each. By
how much d moves when W moves by a tenth of its brightest is found by trying every duty
(digital/guard/picture_guard.py), roundings and colours included; where it can be less than a tenth, the guard
counts so much smaller changes. The lemma in digital/guard/flash_guard.py then holds for W. Rest light makes W
change by less than d does, so the guard errs on the strict side there. A region of the chain flashes when the
whole does not: that is judged apart, never guarded.

Current
-------
At the table's brightest duty the codes of all pixels, white, rounded each and with the highest threshold of
the dither, add up to at most what all alike have at their brightest, which is within the limit of the frame:
the light of a rank is brought down until they do. W never falls, and colours only take away, so the sum fits
at every duty, every place and every refresh: the limiter over the frame stays in the export and never acts.

Steps
-----
A bar grows by one pixel after the other, and the pixel at its edge fades in over the whole of its step: the
light has as many levels as the lit pixels have codes, and its dark end is the fading of one pixel. A
travelling picture moves by whole pixels, without fading: only so is its sum the same to the last code,
whatever the colours.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

from envlab.errors import Limit, ParameterError, check_choice, check_positive, check_range, note_limit
from envlab.light.lightness import check_whole

KINDS = ("all_alike", "from_end", "from_middle", "share", "travelling", "weights")
# Which keys each kind knows beside `kind`; all know rest_light but the one that has no rest.
KEYS: dict[str, tuple[str, ...]] = {
    "all_alike": (),
    "from_end": ("lit_share", "ranks", "rest_light"),
    "from_middle": ("lit_share", "ranks", "rest_light"),
    "share": ("lit_share", "rest_light"),
    "travelling": ("group_pixels", "pixels_per_second", "rest_light"),
    "weights": ("weights", "rest_light"),
}
MOST_PIXELS = 32_768


@dataclass(frozen=True)
class Layout:
    """Which pixels light, and when; section [layout] of a design file.

    Parameters
    ----------
    kind : str
        "all_alike": every pixel at the same duty. "from_end": a bar that grows from the first pixel.
        "from_middle": one that grows both ways from the middle. "share": some pixels, spread along the chain.
        "travelling": a group of neighbours that goes round the chain. "weights": every pixel at its own
        share.
    lit_share : float or None
        Share of the pixels that are lit at full light, above 0 to 1; None: as many as the supply feeds at
        full. Of "from_end", "from_middle" and "share".
    ranks : int or None
        Equal parts by which a bar grows, 1 or more; None: pixel by pixel. Of "from_end" and "from_middle".
    group_pixels : int or None
        Pixels of the travelling group, 1 or more; None: as many as the supply feeds at full.
    pixels_per_second : float
        How fast it travels, above 0, at most three rounds a second and a pixel a frame.
    rest_light : float
        Duty of a pixel that the layout does not light, 0 to 1; no lit pixel has less.
    weights : tuple of float
        Of each of two pixels or more, the first one first, 0 or more, not all 0; only their ratios count.

    Raises
    ------
    ParameterError
        For another kind, a key that the kind does not know, or a value outside its range.

    Examples
    --------
    >>> from envlab.light.layout.layout import Layout
    >>> Layout("from_middle", rest_light=0.01).is_all_alike
    False
    """

    kind: str = "all_alike"
    lit_share: float | None = None
    ranks: int | None = None
    group_pixels: int | None = None
    pixels_per_second: float = 8.0
    rest_light: float = 0.0
    weights: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        check_choice("kind", self.kind, KINDS)
        if self.lit_share is not None:
            check_positive("lit_share", self.lit_share)
            check_range("lit_share", self.lit_share, high=1.0)
        if self.ranks is not None:
            check_whole("ranks", self.ranks, 1, MOST_PIXELS)
        if self.group_pixels is not None:
            check_whole("group_pixels", self.group_pixels, 1, MOST_PIXELS)
        check_positive("pixels_per_second", self.pixels_per_second)
        check_range("rest_light", self.rest_light, 0.0, 1.0)
        _check_weights(self.weights)
        if self.kind == "weights" and not self.weights:
            raise ParameterError("weights", self.weights, "a number for each pixel")
        for key in fields(self):
            if key.name not in self.keys and getattr(self, key.name) != key.default:
                known = ", ".join(KEYS[self.kind]) or "no other key"
                limit = f'left out: a layout of kind "{self.kind}" has {known}'
                raise ParameterError(key.name, getattr(self, key.name), limit)

    @property
    def is_all_alike(self) -> bool:
        """Whether every pixel shows the same duty."""
        return self.kind == "all_alike"

    @property
    def keys(self) -> tuple[str, ...]:
        """The keys that this kind of layout has, `kind` first."""
        return ("kind", *KEYS[self.kind])


def _check_weights(weights: tuple[float, ...]) -> None:
    note_limit(Limit("weights", low=0.0))
    if not isinstance(weights, tuple) or len(weights) == 1 or len(weights) > MOST_PIXELS:
        raise ParameterError("weights", weights, f"a list of 2 to {MOST_PIXELS} numbers")
    for place, weight in enumerate(weights, start=1):
        check_range(f"weights, number {place},", weight, low=0.0)
    if weights and max(weights) == 0:
        raise ParameterError("weights", weights, "above 0 for one pixel at least, or nothing would light")
