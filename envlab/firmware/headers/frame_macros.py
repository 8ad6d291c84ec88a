"""The macros of the frame part: name, value as C writes it, unit."""

from __future__ import annotations

from envlab.digital.fixed_frame import FrameWords

# Values that #if compares carry no ending, so that both sides read the same.
_MACROS = (
    ("FRAME_PIXELS", "pixels", "u", "pixels of the chain"),
    ("FRAME_CHANNELS", "channels", "", "channels of a pixel"),
    ("FRAME_BITS", "bits", "", "bits of a code, one code a channel"),
    ("FRAME_LIMIT", "limit", "ul", "largest sum of all codes of a frame that the supply bears"),
    ("FRAME_DITHER_BITS", "dither_bits", "", "bits of temporal dithering, 0 for none"),
    ("FRAME_REFRESH_HZ", "refresh_hz", "u", "Hz, rate at which the pixels are written"),
)


def frame_macros(words: FrameWords) -> list[tuple[str, str, str]]:
    """Return (name without the prefix ENVLAB_, value, unit) for each word.

    >>> frame_macros(FrameWords(24, 3, 8, 5059, 2, 800))[3]
    ('FRAME_LIMIT', '5059ul', 'largest sum of all codes of a frame that the supply bears')
    """
    return [(macro, f"{getattr(words, name)}{ending}", unit) for macro, name, ending, unit in _MACROS]
