"""The commands. Each lives in a module of its own that is imported when it is called, so that --help answers at once.

Exit status: 0 every limit passed, 1 a limit failed, 2 wrong usage or a bad file, 3 an instrument failed, 4 stopped for
safety, 5 inconclusive, 130 interrupted. A fault of the program itself ends with 3 as well, never with Python's 1. With
--json the result, and nothing else, goes to standard output; progress and prompts go to standard error.
"""

from __future__ import annotations

import importlib
import os
import sys

import click

PROGRAM_FAULT = 3
"""Exit status where the program itself fails: as where an instrument fails, nothing was found out about the amplifier."""

COMMANDS: dict[str, tuple[str, str]] = {
    "run": ("benchtest.cli.run", "Run a procedure and keep the run."),
    "watch": ("benchtest.cli.watch", "Show one meter or the sound card's levels live."),
    "procedures": ("benchtest.cli.listing", "List the procedures that can be run."),
    "scenarios": ("benchtest.cli.listing", "List what can be wrong with the simulated amplifier."),
    "devices": ("benchtest.cli.devices", "List the instruments that can be reached, and why others cannot."),
    "calibrate": ("benchtest.cli.calibrate", "Compare the multimeter with the sound card."),
    "verify": ("benchtest.cli.verify", "Is this bench fit to measure? Its own floor, and what is wrong with it."),
    "analyse": ("benchtest.cli.analyse", "Analyse a recorded capture."),
    "log": ("benchtest.cli.records", "List the runs of an archive."),
    "show": ("benchtest.cli.records", "Show one run."),
    "report": ("benchtest.cli.records", "Write the report of a run again."),
    "compare": ("benchtest.cli.comparing", "Two runs side by side: what changed, and is it significant?"),
    "trend": ("benchtest.cli.comparing", "One quantity over many runs; is the bench drifting?"),
    "card": ("benchtest.cli.handing_back", "The job card of a run: complaint, found, fitted, photographs."),
    "owner": ("benchtest.cli.handing_back", "The page for the owner of the set."),
    "reanalyse": ("benchtest.cli.reanalysing", "Readings from kept captures, recomputed with today's code."),
    "check-archive": ("benchtest.cli.keeping", "Compare every run of an archive with its manifest."),
    "export": ("benchtest.cli.keeping", "Readings as one table, or one run to be shared."),
    "bench": ("benchtest.cli.files", "Write or check a bench file."),
    "amplifier": ("benchtest.cli.files", "Write an amplifier file."),
    "train": ("benchtest.cli.train", "Practise on a hidden fault of the simulated bench."),
    "score": ("benchtest.cli.score", "Score diagnosis over many simulated faults."),
    "simulate": ("benchtest.cli.simulate", "Serve the simulated bench to other programs."),
}
"""Command -> (module, the one line that --help shows)."""


class LazyGroup(click.Group):
    """A group whose commands are imported when they are asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(COMMANDS[cmd_name][0])
        command: click.Command = getattr(module, cmd_name.replace("-", "_"))
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, line) for name, (_, line) in COMMANDS.items()])

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        name = args[0] if args else ""
        if name and not name.startswith("-") and name not in COMMANDS:
            raise click.UsageError(
                f"no command '{name}'. Expected one of: {', '.join(COMMANDS)}. 'benchtest --help' says what they do.",
                ctx,
            )
        return super().resolve_command(ctx, args)


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="benchtest")
def benchtest() -> None:
    """Scripted tests of audio power amplifiers on the repair bench: measure, judge, record.

    Without a bench file the simulated bench is used: try 'benchtest run power_on --yes'. Mains and charged capacitors
    kill; a passed test is not a safety approval.
    """


def main() -> None:
    """The entry point: errors become one message on standard error and the exit status that belongs to them."""
    from benchtest.errors import BenchtestError

    # The arrays are small: a second thread of the linear algebra costs more than it gives, above all beside a sound card.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        status = benchtest.main(standalone_mode=False)
    except click.ClickException as error:
        error.show()
        status = 2
    except (click.Abort, KeyboardInterrupt):
        click.echo("Interrupted.", err=True)
        status = 130
    except BenchtestError as error:
        click.echo(f"benchtest: {error}", err=True)
        status = error.exit_status
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        status = 0
    except Exception as fault:  # of the program itself: nothing was found out about an amplifier, so never 1
        import traceback

        traceback.print_exc()
        click.echo(
            f"benchtest: a fault of the program itself ({type(fault).__name__}: {fault}). It says nothing about the "
            "amplifier. If something was on, switch it off at the wall. Keep the lines above for whoever mends it.",
            err=True,
        )
        status = PROGRAM_FAULT
    sys.exit(status if isinstance(status, int) else 0)
