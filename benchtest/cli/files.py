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

    _write_new(file, BENCH_QUESTIONS, bench_text)


@amplifier.command("new")
@click.argument("file", type=click.Path(path_type=Path))
def amplifier_new(file: Path) -> None:
    """Answer from the rear label, in a minute; the amplifier file is written to FILE, with comments."""
    from benchtest.questions import AMPLIFIER_QUESTIONS, amplifier_text

    _write_new(file, AMPLIFIER_QUESTIONS, amplifier_text)


@bench.command("check")
@click.argument("file", type=click.Path(path_type=Path))
def bench_check(file: Path) -> None:
    """Say everything that is wrong with a bench FILE, all at once, with line numbers."""
    from benchtest.bench_file import load_bench, notes_on

    checked = load_bench(file)
    click.echo(f"{file}: nothing wrong found. Bench '{checked.bench.name}', {len(checked.dmm)} multimeters.")
    for note in notes_on(checked):
        click.echo(f"  note: {note}")


def _write_new(file: Path, questions: Sequence[Question], text_of: Callable[[dict[str, Any]], str]) -> None:
    from benchtest.errors import FileError
    from benchtest.questions import answered, next_question

    if file.exists():
        raise FileError(f"{file} exists already. Expected a new name: nothing is overwritten.")
    answers: dict[str, Any] = {}
    while (question := next_question(questions, answers)) is not None:
        choices = f" ({', '.join(question.choices)})" if question.choices else ""
        typed = click.prompt(f"{question.text}{choices}", default="", show_default=False, err=True)
        try:
            answers[question.key] = answered(question, typed)
        except FileError as error:
            click.echo(f"  {error}", err=True)
    text = text_of(answers)
    try:
        file.write_text(text, encoding="utf-8")
    except OSError as error:
        raise FileError(f"{file} cannot be written: {error.strerror}. Choose another place.") from error
    click.echo(f"written: {file}")
