"""``benchtest analyse``: the figures of a recorded capture."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import click


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--fundamental", type=float, metavar="HZ", help="Which line to look for; the frequency is found.")
@click.option("--band", default="20:20000", show_default=True, metavar="LO:HI", help="Band of THD+N and noise, Hz.")
@click.option("--volts-per-full-scale", type=float, default=None, metavar="V",
              help="Volts that a sample value of 1.0 stands for; without: what a run's capture says, else 1.")  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def analyse(
    file: Path, fundamental: float | None, band: str, volts_per_full_scale: float | None, as_json: bool
) -> None:
    """Analyse FILE (any audio file, 64-bit float included): level, THD, THD+N, harmonics, noise, hum, balance."""
    from benchtest.cli.output import print_json
    from benchtest.errors import FileError

    lo, hi = _band(band)
    if volts_per_full_scale is None:
        volts_per_full_scale, whence = scale_of(file)
        if whence:
            click.echo(f"scale: {volts_per_full_scale:.6g} V for a sample value of 1.0, from {whence}", err=True)
    if not (math.isfinite(volts_per_full_scale) and volts_per_full_scale > 0):
        raise FileError(f"--volts-per-full-scale {volts_per_full_scale}: expected volts above 0, such as 46.6.")
    try:
        found = _figures(file, fundamental, (lo, hi), volts_per_full_scale)
    except ValueError as error:
        raise FileError(f"{file}: {error}") from error
    page: dict[str, Any] = {"file": str(file), **found.as_dict()}
    if as_json:
        print_json(page)
    else:
        _print_table(page)


def scale_of(file: Path) -> tuple[float, str]:
    """The volts that a sample value of 1.0 stands for, and where that is written; (1, "") where nothing says it.

    A capture of a run stands in ``captures/index.jsonl`` beside it; one that was copied away still carries its scale as
    the file's own comment.
    """
    from benchtest.archive import Run

    whole = file.resolve()
    if whole.parent.name == "captures" and (whole.parents[1] / "run.json").is_file():
        for entry in Run(whole.parents[1]).captures():
            if whole.name == Path(str(entry.get("file", ""))).name:
                return float(entry["volts_per_full_scale"]), f"the run {whole.parents[1].name}"
    try:
        import soundfile

        with soundfile.SoundFile(str(file)) as recording:
            return float(json.loads(recording.comment)["volts_per_full_scale"]), "the file's own comment"
    except (OSError, RuntimeError, ValueError, KeyError, TypeError):
        return 1.0, ""


def _band(text: str) -> tuple[float, float]:
    from benchtest.errors import FileError

    try:
        lo, hi = (float(part) for part in text.split(":"))
    except ValueError:
        raise FileError(f"--band {text!r}: expected two frequencies in Hz, LO:HI, such as 20:20000.") from None
    if not (math.isfinite(lo) and math.isfinite(hi) and 0.0 <= lo < hi):
        raise FileError(f"--band {text!r}: expected LO at least 0 and below HI, such as 20:20000.")
    return lo, hi


def _figures(file: Path, fundamental: float | None, band_hz: tuple[float, float], scale: float) -> Any:
    """Read and analyse; a long recording in blocks, so that its length costs no memory."""
    from benchtest.analysis.long_records import analyse_blocks
    from benchtest.errors import FileError

    if not file.is_file():
        raise FileError(f"no file {file}. Expected a recorded capture, such as a WAV or FLAC file.")
    try:
        import soundfile

        with soundfile.SoundFile(str(file)) as recording:
            rate = int(recording.samplerate)
            blocks = (part * scale for part in recording.blocks(blocksize=rate * 5, dtype="float64", always_2d=True))
            return analyse_blocks(blocks, rate, fundamental_hz=fundamental, band_hz=band_hz, full_scale_v=scale)
    except (RuntimeError, OSError) as error:
        raise FileError(
            f"{file} cannot be read as audio: {error}. Expected a file that libsndfile reads, such as WAV or FLAC."
        ) from error


def _print_table(page: dict[str, Any]) -> None:
    from rich.console import Console
    from rich.table import Table

    console = Console(highlight=False)
    console.print(
        f"{page['file']}: {page['duration_s']:.3f} s at {page['sample_rate']} Hz, "
        f"band {page['band_hz'][0]:g} to {page['band_hz'][1]:g} Hz", markup=False, soft_wrap=True,
    )  # fmt: skip
    table = Table("figure", *(str(c["channel"]) for c in page["channels"]), "unit")
    rows = [
        ("frequency", "frequency_hz", "Hz", "{:.4f}"), ("level", "level_v", "V rms", "{:.6g}"),
        ("DC", "dc_v", "V", "{:.3g}"), ("THD", "thd_percent", "%", "{:.5f}"), ("THD", "thd_db", "dB", "{:.2f}"),
        ("THD of the total", "thd_of_total_percent", "%", "{:.5f}"), ("THD+N", "thd_n_percent", "%", "{:.5f}"),
        ("THD+N", "thd_n_db", "dB", "{:.2f}"), ("THD+N of the total", "thd_n_of_total_percent", "%", "{:.5f}"),
        ("noise", "noise_v", "V rms", "{:.3g}"), ("noise, A-weighted", "noise_a_weighted_v", "V rms", "{:.3g}"),
        ("clipped", "clipped", "", "{}"), ("silent", "silent", "", "{}"),
    ]  # fmt: skip
    for words, key, unit, form in rows:
        shown = ["-" if c[key] is None else form.format(c[key]) for c in page["channels"]]
        table.add_row(words, *shown, unit)
    orders = sorted({h["order"] for c in page["channels"] for h in c["harmonics"]})[:9]
    for order in orders:
        cells = []
        for channel in page["channels"]:
            level = next((h["level_db"] for h in channel["harmonics"] if h["order"] == order), None)
            cells.append("-" if level is None else f"{level:.2f}")
        table.add_row(f"harmonic {order}", *cells, "dB")
    for i in range(max((len(c["hum"]) for c in page["channels"]), default=0)):
        lines = [c["hum"][i] if i < len(c["hum"]) else None for c in page["channels"]]
        frequency = next(line["frequency_hz"] for line in lines if line is not None)
        cells = ["-" if line is None or line["level_v"] is None else f"{line['level_v']:.3g}" for line in lines]
        table.add_row(f"hum {frequency:g} Hz", *cells, "V rms")
    console.print(table)
    if page.get("channel_balance_db") is not None:
        console.print(f"channel balance (right relative to left): {page['channel_balance_db']:+.3f} dB", markup=False)
