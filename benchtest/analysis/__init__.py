"""Numbers from arrays: no file, no device, no clock. Imports nothing of the project.

Start with ``analyse`` (every figure of a recording); each part of it, and what needs a stimulus of its own, has a
module.
"""

from benchtest.analysis.analyse import Analysis, ChannelAnalysis, Harmonic, HumLine, analyse
from benchtest.analysis.distortion import thd
from benchtest.analysis.harmonics import HarmonicFit, harmonic_fit
from benchtest.analysis.sine_fit import SineFit, sine_fit
from benchtest.analysis.timing import Delay, Span, Steadiness, latency, onset, steady

__all__ = [
    "Analysis",
    "ChannelAnalysis",
    "Delay",
    "Harmonic",
    "HarmonicFit",
    "HumLine",
    "SineFit",
    "Span",
    "Steadiness",
    "analyse",
    "harmonic_fit",
    "latency",
    "onset",
    "sine_fit",
    "steady",
    "thd",
]
