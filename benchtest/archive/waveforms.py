"""captures/: the waveforms behind the numbers, in volts, so that a run can be analysed again.

FLAC with 24 bit, or WAV with 32-bit floats where FLAC cannot hold the rate. The file holds fractions of
volts_per_full_scale; that scale stands in captures/index.jsonl and in the file's own comment.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchtest.archive.durable import PART, plain, refusal
from benchtest.errors import FileError

if TYPE_CHECKING:
    from benchtest.instruments.protocols import FloatArray

LARGEST_FLAC_RATE = 655350  # Hz; RFC 9639 section 9.1.2: the rate is stored in 20 bit, or in tens of hertz up to this
COMPRESSION = 0.0  # of 0 to 1: the fastest; noise-like low bits hardly compress further


@dataclass(frozen=True)
class Waveform:
    """A capture read back: samples in volts, shape (frames, channels)."""

    samples: FloatArray
    sample_rate: int
    volts_per_full_scale: float


def fitting_scale(peak: float, volts_per_full_scale: float) -> float:
    """The scale, doubled until ``peak`` volts fit below full scale, so that the file never clips.

    >>> fitting_scale(3.0, 2.0), fitting_scale(1.0, 2.0)
    (4.0, 2.0)
    """
    if not (math.isfinite(volts_per_full_scale) and volts_per_full_scale > 0):
        raise ValueError(f"volts_per_full_scale = {volts_per_full_scale}; expected volts above 0")
    scale = volts_per_full_scale
    while peak > scale * (1 - 2.0**-22):
        scale *= 2.0
    return scale


def write_waveform(
    stem: Path, samples: FloatArray, sample_rate: int, *, volts_per_full_scale: float, meta: Mapping[str, Any]
) -> tuple[Path, dict[str, Any]]:
    """Write ``samples`` (frames, channels), volts, beside ``stem``; returns the file and its line for index.jsonl.

    Raises ValueError for samples that are no waveform, FileError if it cannot be written.
    """
    import numpy as np
    import soundfile

    if samples.ndim != 2 or samples.shape[0] == 0:
        raise ValueError(f"samples of shape {samples.shape}; expected (frames, channels)")
    peak = float(np.max(np.abs(samples)))
    if not math.isfinite(peak):
        raise ValueError("the samples hold values that are not finite; a capture that lost frames is not data")
    scale = fitting_scale(peak, volts_per_full_scale)
    flac = sample_rate <= LARGEST_FLAC_RATE and (sample_rate < 65536 or sample_rate % 10 == 0)
    path = stem.with_name(stem.name + (".flac" if flac else ".wav"))
    entry = {
        "file": f"captures/{path.name}",
        "frames": samples.shape[0],
        "channels": samples.shape[1],
        "sample_rate": int(sample_rate),
        "volts_per_full_scale": scale,
        "peak_v": peak,
        "meta": plain(dict(meta)),
    }
    part = path.with_name(path.name + PART)
    try:
        with soundfile.SoundFile(
            part,
            "w",
            samplerate=int(sample_rate),
            channels=samples.shape[1],
            format="FLAC" if flac else "WAV",
            subtype="PCM_24" if flac else "FLOAT",
            **({"compression_level": COMPRESSION} if flac else {}),
        ) as file:
            file.comment = json.dumps({"volts_per_full_scale": scale})
            file.write(samples / scale)
        part.replace(path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise refusal(error, path, "writing a capture") from error
    except soundfile.LibsndfileError as error:
        part.unlink(missing_ok=True)
        raise FileError(f"{path}: writing a capture failed ({error}). Expected a disk with free space.") from error
    return path, entry


def read_waveform(path: Path, volts_per_full_scale: float) -> Waveform:
    """Read a capture back into volts. Raises FileError."""
    import soundfile

    try:
        samples, rate = soundfile.read(path, dtype="float64", always_2d=True)
    except (OSError, soundfile.LibsndfileError) as error:
        raise FileError(f"{path}: cannot be read ({error}). Expected a capture in FLAC or WAV.") from error
    return Waveform(samples * volts_per_full_scale, int(rate), volts_per_full_scale)
