"""``benchtest bench new|check`` and ``benchtest amplifier new``: the files that people write."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from benchtest.questions import Question


@click.group()
def bench() -> None:
    """Write or check a bench file."""


@click.group()
def amplifier() -> None:
    """Write an amplifier file."""


@bench.command("new")
@click.argument("file", type=click.Path(path_type=Path))
def bench_new(file: Path) -> None:
    """Answer some questions; the bench file is written to FILE, with comments."""
    from benchtest.questions import BENCH_QUESTIONS, bench_text

    first = (
        "A bench file, in some three minutes. To have beside you: the two loads measured in ohms, what 'benchtest devices' "
        "lists, and the dividers' resistors."
    )
    _write_new(file, BENCH_QUESTIONS, bench_text, first)
    click.echo(f"Now: benchtest bench check {file}; then calibrate and verify, the amplifier not connected.", err=True)


@amplifier.command("new")
@click.argument("file", type=click.Path(path_type=Path))
def amplifier_new(file: Path) -> None:
    """Answer from the rear label, in a minute; the amplifier file is written to FILE, with comments."""
    from benchtest.questions import AMPLIFIER_QUESTIONS, amplifier_text

    first = "An amplifier file, from the rear label in one minute: Enter leaves out what the label does not say."
    _write_new(file, AMPLIFIER_QUESTIONS, amplifier_text, first)


@bench.command("check")
@click.argument("file", type=click.Path(path_type=Path))
def bench_check(file: Path) -> None:
    """Say everything that is wrong with a bench FILE, all at once, with line numbers."""
    from benchtest.bench_file import bench_from_text, notes_on
    from benchtest.config import read_text

    text = read_text(file, what="bench file")
    checked = bench_from_text(text, str(file))
    click.echo(f"{file}: nothing wrong found. Bench '{checked.bench.name}', {len(checked.dmm)} multimeters.")
    for note in notes_on(checked, text, str(file)):
        click.echo(f"  note: {note}")


def _write_new(file: Path, questions: Sequence[Question], text_of: Callable[[dict[str, Any]], str], first: str) -> None:
    from benchtest.errors import FileError
    from benchtest.questions import answered, asked, next_question, taken

    if file.exists():
        raise FileError(f"{file} exists already. Expected a new name: nothing is overwritten.")
    answers: dict[str, Any] = {}
    click.echo(f"{first} Ctrl-C ends it, and nothing is written.\n", err=True)
    while (question := next_question(questions, answers)) is not None:
        typed = click.prompt(asked(question), default="", show_default=False, err=True)
        try:
            answers[question.key] = answered(question, typed)
            if not typed.strip():
                click.echo(f"  {taken(question, answers[question.key])}", err=True)
        except FileError as error:
            click.echo(f"  {error}", err=True)
    text = text_of(answers)
    try:
        file.write_text(text, encoding="utf-8")
    except OSError as error:
        raise FileError(f"{file} cannot be written: {error.strerror}. Choose another place.") from error
    click.echo(f"written: {file}")
