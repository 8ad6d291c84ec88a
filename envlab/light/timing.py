"""How late the light is: the serial frame, and the whole way from drum to light.

Serial pixels, common practice, no source: 24 bit of 1.25 µs each per pixel, a byte for each of three
channels, then the line rests so that the pixels take over the frame: 50 µs with older parts, 280 µs with
newer ones. A channel of more than 8 bit takes two bytes.

[BT1359-1], considering g): a sound that comes before its picture is detected from about 45 ms on
and accepted up to about 90 ms; one that comes after it, from 125 ms and up to 185 ms. Light that latencies
the drum is a sound that comes first.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from envlab.errors import ParameterError, check_positive, check_range
from envlab.light.lightness import check_whole
from envlab.light.pixels import Pixels

SOUND_FIRST_DETECTED_S = 0.045
SOUND_FIRST_ACCEPTED_S = 0.090
SOUND_LAST_DETECTED_S = 0.125
SOUND_LAST_ACCEPTED_S = 0.185
# Dry air at 0 °C, the parade is in winter; 343 m/s at 20 °C (common practice, no source).
SPEED_OF_SOUND_M_S = 331.0


@dataclass(frozen=True)
class SerialLink:
    """The one-wire link to the pixels: bits per pixel, time of one bit, rest after each frame."""

    bits_per_pixel: int = 24
    bit_s: float = 1.25e-6
    latch_s: float = 280e-6

    def __post_init__(self) -> None:
        check_whole("bits_per_pixel", self.bits_per_pixel, 1, 256)
        check_positive("bit_s", self.bit_s, unit="s")
        check_range("bit_s", self.bit_s, high=1e-3, unit="s")
        check_range("latch_s", self.latch_s, 0.0, 0.1, unit="s")

    def frame_s(self, pixels: int) -> float:
        """Return the time in s to send one frame to so many pixels, rest included."""
        check_whole("pixels", pixels, 1, 1_000_000)
        return pixels * self.bits_per_pixel * self.bit_s + self.latch_s

    def most_pixels(self, frame_rate_hz: float) -> int:
        """Return how many pixels one line carries at a frame rate; 0 when the rest alone is too long."""
        check_positive("frame_rate_hz", frame_rate_hz, unit="Hz")
        pixel_s = self.bits_per_pixel * self.bit_s
        return max(0, math.floor((1.0 / frame_rate_hz - self.latch_s) / pixel_s + 1e-9))

    def check_frame_rate(self, pixels: int, frame_rate_hz: float) -> None:
        """Raise ParameterError, with the nearest values that work, unless the line carries so many pixels."""
        if pixels <= self.most_pixels(frame_rate_hz):
            return
        fastest_hz = math.floor(10.0 / self.frame_s(pixels)) / 10.0
        raise ParameterError(
            "pixels",
            pixels,
            f"at most {self.most_pixels(frame_rate_hz)} on one line at {frame_rate_hz:g} frames per second"
            f" (or at most {fastest_hz:g} frames per second)",
        )


def pixel_link(channels: int, pixel_bits: int) -> SerialLink:
    """Return the link to pixels of so many channels (1 to 8) and codes of so many bits (1 to 16).

    >>> pixel_link(3, 8).bits_per_pixel, pixel_link(3, 16).bits_per_pixel
    (24, 48)
    """
    check_whole("channels", channels, 1, 8)
    check_whole("pixel_bits", pixel_bits, 1, 16)
    return SerialLink(bits_per_pixel=channels * (8 if pixel_bits <= 8 else 16))


def sending_s(pixels: Pixels, pixel_bits: int) -> float:
    """Return the time in s until every pixel has its frame, rest included; pixel_bits 1 to 16."""
    return pixel_link(pixels.channels, pixel_bits).frame_s(pixels.longest_line)


def check_sending(pixels: Pixels, pixel_bits: int, name: str, rate_hz: float) -> None:
    """Raise ParameterError, with values that work, unless the pixels can be written at rate_hz.

    name: of the rate, for the error: frame_rate_hz or refresh_hz.
    """
    check_positive(name, rate_hz, unit="Hz")
    needed_s = sending_s(pixels, pixel_bits)
    if rate_hz * needed_s <= 1.0 + 1e-9:
        return
    limit = (
        f"at most {math.floor(10.0 / needed_s) / 10.0:g} Hz: sending {pixels.longest_line} pixels of"
        f" {pixels.channels} channels of {pixel_bits} bit down one line takes {1e3 * needed_s:.2f} ms"
    )
    most = pixel_link(pixels.channels, pixel_bits).most_pixels(rate_hz)
    if most:
        lines = -(-pixels.count // most)
        limit += f" (or at most {most} pixels on a line, here data_lines = {lines})"
    raise ParameterError(name, rate_hz, limit)


PWM_WAIT = "waiting for the pixel's PWM"


@dataclass(frozen=True)
class LatencyPart:
    """One part of the way from drum to light, in s: on average and at worst."""

    name: str
    mean_s: float
    worst_s: float


@dataclass(frozen=True)
class LatencyBudget:
    """The whole way from drum to light, part by part, and the distance from which it is watched.

    A watcher hears the drum later than its wearer, so the light's latency shrinks with the distance.
    """

    parts: tuple[LatencyPart, ...]
    watcher_m: float = 0.0

    @property
    def to_frame(self) -> LatencyPart:
        """The latency that metrics state (onset_lag_mean_ms, onset_lag_worst_ms): to the last pixel's frame.

        The pixel's own PWM comes after it; together they are the light after the drum.
        """
        before = [part for part in self.parts if part.name != PWM_WAIT]
        return LatencyPart(
            "latency", sum(part.mean_s for part in before), sum(part.worst_s for part in before)
        )

    @property
    def sound_travel_s(self) -> float:
        """How much later the watcher hears the drum than the wearer's microphone does, in s."""
        return self.watcher_m / SPEED_OF_SOUND_M_S

    @property
    def mean_s(self) -> float:
        """Light after sound at the watcher, in s, on average; negative when the light comes first."""
        return sum(part.mean_s for part in self.parts) - self.sound_travel_s

    @property
    def worst_s(self) -> float:
        """Light after sound at the watcher, in s, at worst."""
        return sum(part.worst_s for part in self.parts) - self.sound_travel_s

    @property
    def words(self) -> str:
        """The worst latency held against ITU-R BT.1359-1, in words."""
        return f"{_side(self.worst_s)}: {_verdict(self.worst_s)} (ITU-R BT.1359-1)."


def latency_budget(
    *,
    detector_mean_s: float,
    detector_worst_s: float,
    adc_rate_hz: float,
    frame_rate_hz: float,
    pixels: int,
    follower_s: float = 0.0,
    link: SerialLink | None = None,
    pixel_pwm_hz: float = 400.0,
    watcher_m: float = 0.0,
) -> LatencyBudget:
    """Return the whole latency from drum to light, in parts.

    detector_mean_s, detector_worst_s: from onset until the detector has risen far enough, measured or
    simulated, without the waits that follow. follower_s: what the firmware's follower adds. Each reading
    waits on average half a period of the ADC, of the frame and of the pixel's own PWM, at worst a whole one.
    """
    line = link if link is not None else SerialLink()
    for name, value in (("detector_mean_s", detector_mean_s), ("detector_worst_s", detector_worst_s)):
        check_range(name, value, 0.0, 60.0, unit="s")
    check_range("follower_s", follower_s, 0.0, 60.0, unit="s")
    check_range("watcher_m", watcher_m, 0.0, 1000.0, unit="m")
    for name, value in (
        ("adc_rate_hz", adc_rate_hz),
        ("frame_rate_hz", frame_rate_hz),
        ("pixel_pwm_hz", pixel_pwm_hz),
    ):
        check_positive(name, value, unit="Hz")
    line.check_frame_rate(pixels, frame_rate_hz)
    sent_s = line.frame_s(pixels)
    return LatencyBudget(
        (
            LatencyPart("detector", detector_mean_s, detector_worst_s),
            LatencyPart("waiting for the ADC", 0.5 / adc_rate_hz, 1.0 / adc_rate_hz),
            LatencyPart("follower", follower_s, follower_s),
            LatencyPart("waiting for the frame", 0.5 / frame_rate_hz, 1.0 / frame_rate_hz),
            LatencyPart("sending to the last pixel", sent_s, sent_s),
            LatencyPart(PWM_WAIT, 0.5 / pixel_pwm_hz, 1.0 / pixel_pwm_hz),
        ),
        watcher_m,
    )


def _side(latency_s: float) -> str:
    if latency_s >= 0.0:
        return f"The light is at worst {1e3 * latency_s:.0f} ms behind the drum"
    return f"The light is {-1e3 * latency_s:.0f} ms ahead of the drum"


def _verdict(latency_s: float) -> str:
    late = latency_s >= 0.0
    detected = SOUND_FIRST_DETECTED_S if late else SOUND_LAST_DETECTED_S
    accepted = SOUND_FIRST_ACCEPTED_S if late else SOUND_LAST_ACCEPTED_S
    if abs(latency_s) <= detected:
        return f"not noticed, for that begins at about {1e3 * detected:.0f} ms"
    if abs(latency_s) <= accepted:
        return (
            f"noticed (from about {1e3 * detected:.0f} ms), still accepted (to about {1e3 * accepted:.0f} ms)"
        )
    return f"more than the {1e3 * accepted:.0f} ms that are accepted"
