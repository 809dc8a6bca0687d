"""Temporary."""

import numpy as np


def find_delay(stimulus, recording, rate):
    from scipy import fft

    best = None
    for c in range(2):
        s = stimulus[:, c]
        r = recording[:, c]
        if np.max(np.abs(s)) == 0:
            continue
        n = fft.next_fast_len(len(s) + len(r), real=True)
        # envelope correlation with fades: use full correlation
        x = fft.irfft(fft.rfft(r, n) * np.conj(fft.rfft(s, n)), n)[: len(r)]
        k = int(np.argmax(np.abs(x)))
        best = k if best is None else best
    return best


def is_steady(x, rate, f):
    n = len(x)
    k = 8
    m = n // k
    t = np.arange(m) / rate
    ref = np.exp(-2j * np.pi * f * t) * np.hanning(m)
    p = [np.vdot(np.conj(ref), x[i * m : (i + 1) * m]) * np.exp(-2j * np.pi * f * i * m / rate) for i in range(k)]
    p = np.array(p)
    ph = np.unwrap(np.angle(p))
    ph = ph - np.polyval(np.polyfit(np.arange(k), ph, 1), np.arange(k))
    a = np.abs(p)
    return bool(np.max(np.abs(ph)) < 0.1 and a.min() > 0.8 * a.max())
