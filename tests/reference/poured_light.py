"""Light poured into pixels, in exact fractions; it imports nothing of envlab.

A chain of pixels lies at rest light. An amount of light, counted in pixels at full, is poured on top of it:
into one group of pixels after the other, each up to the same height, or into all at once, by their weights.
"""

from __future__ import annotations

from fractions import Fraction


def height(granted: Fraction, rest: Fraction, pixels: int, lit: Fraction) -> Fraction:
    """How high a lit pixel stands when all light is poured: so that the whole is pixels * granted."""
    return min(Fraction(1), rest + (granted - rest) * pixels / lit)


def poured_in_turn(
    amount: Fraction, group_of_pixel: list[int], rest: Fraction, top: Fraction
) -> list[Fraction]:
    """Duty of each pixel when the groups, by their number, are filled one after the other."""
    duties = [rest] * len(group_of_pixel)
    for group in sorted(set(group_of_pixel)):
        members = [place for place, own in enumerate(group_of_pixel) if own == group]
        each = min(amount / len(members), top - rest)
        for place in members:
            duties[place] += each
        amount -= each * len(members)
    return duties


def poured_at_once(amount: Fraction, weights: list[Fraction], rest: Fraction) -> list[Fraction]:
    """Duty of each pixel when each takes its weight's share."""
    whole = sum(weights)
    return [rest + amount * weight / whole for weight in weights]
