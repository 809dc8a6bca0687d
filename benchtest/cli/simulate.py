"""``benchtest simulate``: the simulated bench for other programs, over TCP and, with --audio, an audio server."""

from __future__ import annotations

import signal
import threading
from pathlib import Path

import click


@click.command()
@click.option("--scenario", default="healthy", show_default=True, help="What is wrong with the amplifier.")
@click.option("--channel", type=click.Choice(["left", "right"]), help="The channel that the scenario is in.")
@click.option("--seed", type=int, default=0, show_default=True, help="Seed of everything that is left to chance.")
@click.option("--port", type=int, default=0, show_default=True, help="Of the control port; 0: any free one.")
@click.option("--audio", is_flag=True, help="Put the amplifier between two sinks of a PulseAudio server.")
@click.option("--audio-server", help="Address of a PulseAudio server to use instead of one of its own.")
@click.option("--output", type=click.Path(path_type=Path), help="Write the bench file here instead of printing it.")
def simulate(
    scenario: str,
    channel: str | None,
    seed: int,
    port: int,
    audio: bool,
    audio_server: str | None,
    output: Path | None,
) -> None:
    """Serve the simulated bench to other programs until Ctrl-C, and print the bench file that reaches it.

    In another terminal: benchtest run power_on --yes --bench FILE --amplifier procedures/demo_amplifier.toml
    """
    from benchtest.errors import FileError
    from simulated_instruments.serve import ahead_of_others, serve

    stop = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stop.set())
    if audio:
        ahead_of_others()
    with serve(scenario, seed, channel, port, audio, audio_server=audio_server) as served:
        if output is None:
            click.echo(served.bench_file_text)
        else:
            try:
                output.write_text(served.bench_file_text, encoding="utf-8")
            except OSError as error:
                raise FileError(
                    f"the bench file cannot be written to {output}: {error.strerror}. Choose another place."
                ) from error
            click.echo(f"bench file: {output}", err=True)
        click.echo("SIMULATED bench is served; Ctrl-C ends it.", err=True)
        served.wait(stop)
