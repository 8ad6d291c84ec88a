"""Start and stop mark: tone on and off in a code that nothing else in the signal resembles.

The code is a maximum-length sequence [Golomb1967] of 15 chips, of the shift register x⁴ + x + 1; the stop
mark is the same
backwards. Two such codes are told apart whatever the gain, and their rises give the time.
"""

from __future__ import annotations


def maximum_length_code(taps: tuple[int, int] = (4, 1)) -> tuple[int, ...]:
    """Return one period of the shift register's output, 2ⁿ − 1 chips of 0 or 1, n the larger tap.

    taps: powers of the polynomial x^a + x^b + 1, without a unit.
    """
    longest, other = taps
    register = [1] * longest
    out = []
    for _ in range(2**longest - 1):
        out.append(register[-1])
        register = [register[-1] ^ register[other - 1], *register[:-1]]
    return tuple(out)


START_CODE = maximum_length_code()
STOP_CODE = tuple(reversed(START_CODE))
