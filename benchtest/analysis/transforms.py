"""Lengths of Fourier transforms. numpy's are used: as fast as scipy's, which take a quarter of a second to import."""

from __future__ import annotations

from functools import lru_cache


@lru_cache(maxsize=256)
def fast_length(n: int) -> int:
    """The smallest length from n on whose only prime factors are 2, 3 and 5.

    Examples
    --------
    >>> fast_length(7), fast_length(1021), fast_length(48000)
    (8, 1024, 48000)
    """
    best = 1 << max(0, n - 1).bit_length()
    fives = 1
    while fives < best:
        odd = fives
        while odd < best:
            quotient = -(-n // odd)
            length = odd << max(0, quotient - 1).bit_length()
            best = min(best, length)
            odd *= 3
        fives *= 5
    return best
