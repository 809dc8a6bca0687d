"""``benchtest calibrate``: the multimeter against the sound card's output, the output against the input."""

from __future__ import annotations

from pathlib import Path

import click


@click.command()
@click.option("--bench", "bench_file", type=click.Path(path_type=Path), help="Bench file (TOML); without: simulated.")
@click.option("--output", type=click.Path(path_type=Path), help="Where to write the calibration file.")
@click.option("--seed", type=int, default=0, show_default=True, help="Seed of the simulated bench.")
@click.option("--json", "as_json", is_flag=True, help="Print the calibration as JSON.")
def calibrate(bench_file: Path | None, output: Path | None, seed: int, as_json: bool) -> None:
    """Measure the sound card's scales with the multimeter, dividers as built in, both channels."""
    from benchtest.calibration import make_calibration, save_calibration
    from benchtest.cli.output import print_json
    from benchtest.cli.terminal import Terminal
    from benchtest.safety import open_bench

    terminal = Terminal()
    with open_bench(bench_file, seed=seed, stated_only=True) as bench:
        terminal.person_is_asked = bench.file.operator.driver == "person"
        bench.events.subscribe(terminal)
        calibration = make_calibration(bench)
        simulated = bench.simulated
        named = bench.file.calibration.file if bench.file.calibration is not None else ""
    base = bench_file.parent if bench_file is not None else Path()
    path = output or (base / named if named else base / "calibration.toml")
    save_calibration(calibration, path)
    if as_json:
        print_json({"file": str(path), "simulated": simulated, **calibration.as_dict()})
        return
    tag = "SIMULATED  " if simulated else ""
    out, back = calibration.output_volts_per_full_scale, calibration.input_volts_per_full_scale
    click.echo(f"{tag}output full scale   left {out[0]:.5f} V peak   right {out[1]:.5f} V peak")
    click.echo(f"{tag}terminals at input full scale   left {back[0]:.4f} V peak   right {back[1]:.4f} V peak")
    if calibration.residual_thd_n is not None and calibration.noise_v is not None:
        worst, noise = max(calibration.residual_thd_n), max(calibration.noise_v)
        click.echo(f"{tag}bench floor: THD+N {100 * worst:.4f} %, noise {1e6 * noise:.0f} uV at the terminals")
    click.echo(
        f"{tag}volts known within {200 * calibration.volts_relative():.3f} % (k = 2); due {calibration.due_utc[:10]}"
    )
    click.echo(f"written to {path}")
    if simulated:
        click.echo("SIMULATED  it holds for the simulated bench only: a real bench refuses it.")
    if bench_file is not None and not named:
        click.echo(f'Add to {bench_file}:\n\n[calibration]\nfile = "{path.name}"')
