"""``benchtest train``: a hidden fault on the simulated bench, played by typing. One of the doors to the simulated bench."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from benchtest.training.lessons import CaseToPlay


@click.command()
@click.argument("level", type=click.Choice(["easy", "medium", "hard"]), default="easy")
@click.option("--lesson", type=int, help="One of the ten lessons, in the order of teaching.")
@click.option("--exercise", type=click.Path(path_type=Path), help="A case that a teacher set as a file.")
@click.option("--seed", type=int, help="Which case of a level; without it a new one each time.")
@click.option("--trainee", default="", metavar="NAME", help="Whose progress this is.")
@click.option("--archive", type=click.Path(path_type=Path), default=Path("reports"), show_default=True,
              help="Where runs are kept.")  # fmt: skip
@click.option("--list", "list_them", is_flag=True, help="List the lessons.")
@click.option("--progress", "show_progress", is_flag=True, help="Show what was played, and how it went.")
@click.option("--write", type=click.Path(path_type=Path), help="Write an exercise file instead of playing.")
@click.option("--with-answer", is_flag=True, help="Let the written exercise hold the answer.")
@click.option("--json", "as_json", is_flag=True, help="Print the marking as JSON.")
def train(
    level: str,
    lesson: int | None,
    exercise: Path | None,
    seed: int | None,
    trainee: str,
    archive: Path,
    list_them: bool,
    show_progress: bool,
    write: Path | None,
    with_answer: bool,
    as_json: bool,
) -> int:
    """Practise on a hidden fault of LEVEL easy, medium or hard.

    Type 'help' at the bench. Lines may also come from a file or a pipe. One case in five is healthy; an unsafe act loses
    the case; extra measurements cost little; 'stop' can be right.
    """
    from benchtest.training.exercises import exercise_text, read_exercise
    from benchtest.training.lessons import draw_case, lesson_case, lessons

    if list_them:
        for one in lessons().values():
            click.echo(f"{one.number:>3}  {one.title}")
        return 0
    if show_progress:
        return _show_progress(archive, trainee, as_json)
    chosen = seed if seed is not None else _new_seed()
    if exercise is not None:
        case = read_exercise(exercise)
    elif lesson is not None:
        case = lesson_case(lesson, chosen)
    else:
        case = draw_case(level, chosen)
    if write is not None:
        write.write_text(
            exercise_text(case, level=level, with_answer=with_answer or lesson is not None), encoding="utf-8"
        )
        click.echo(f"Written: {write}. Play it with: benchtest train --exercise {write}")
        return 0
    return _play(case, archive=archive, trainee=trainee, as_json=as_json)


def _play(case: CaseToPlay, *, archive: Path, trainee: str, as_json: bool) -> int:
    from benchtest.cli.output import print_json
    from benchtest.cli.run import demo_amplifier_file
    from benchtest.instruments.protocols import Operator
    from benchtest.safety import open_bench
    from benchtest.training.marking import mark
    from benchtest.training.record import keep
    from benchtest.training.session import Session
    from simulated_instruments.faults import SCENARIOS
    from simulated_instruments.truth import draw_truth

    channel = draw_truth(case.seed, case.scenario, case.channel).channel
    amplifier = case.amplifier(demo_amplifier_file())
    causes = {s.name: s.one_line for s in SCENARIOS.values() if not s.name.startswith("healthy")}
    found: list[Operator] = []

    def remember(operator: Operator) -> Operator:
        found.append(operator)
        return operator

    with open_bench(
        None, amplifier=amplifier, seed=case.seed, scenario=case.scenario, channel=channel if channel != "none" else None,
        wrap_operator=remember,
    ) as bench:  # fmt: skip
        session = Session(bench, found[0], _say, case.scenario, causes)
        _say(f"{case.title}\n{case.told}\n")
        stage = case.output_stage.replace("_", "-")
        _say(
            f"Rated {amplifier.rated_power_w:g} W into {amplifier.rated_load_ohm:g} ohm, output stage {stage}. Lid off, "
            "unplugged, nothing connected. SIMULATED: what you learn is real, the amplifier is not.\nType 'help'."
        )
        typed: list[str] = []
        for line in _lines():
            typed.append(line)
            session.type(line)
            if session.over:
                break
        marked = mark(session, channel, causes, case.learned)
        for text in ("", *marked.lines, f"Score: {marked.score} of 100"):
            _say(text)
        folder = keep(archive, session, case, marked, trainee=trainee, lines=typed)
        _say(f"Kept among the runs, marked as training: {folder}")
    if as_json:
        print_json(
            {"score": marked.score, "right": marked.right, "safe": marked.safe, "scenario": case.scenario,
             "channel": channel, "feedback": list(marked.lines), "folder": str(folder)}
        )  # fmt: skip
    return 0


def _lines() -> Iterator[str]:
    """What is typed, with a history on the arrow keys; or the lines of a file or pipe, echoed."""
    if not sys.stdin.isatty():
        for line in sys.stdin:
            text = line.split("#", 1)[0].strip()
            if text:
                _say(f"> {text}")
                yield text
        return
    with contextlib.suppress(ImportError):
        import readline  # noqa: F401  arrow keys and history
    while True:
        try:
            yield input("> ")
        except EOFError:
            return


def _say(text: str) -> None:
    click.echo(text, err=True)


def _new_seed() -> int:
    import secrets

    return secrets.randbelow(1_000_000)


def _show_progress(archive: Path, trainee: str, as_json: bool) -> int:
    from benchtest.cli.output import print_json
    from benchtest.training.record import progress

    played = progress(archive, trainee)
    if as_json:
        rows: list[dict[str, Any]] = [vars(one) for one in played]
        print_json(rows)
        return 0
    if not played:
        click.echo(f"Nothing was played yet in {archive}. Start with: benchtest train --lesson 1")
        return 0
    for one in played:
        how = "right" if one.right else "UNSAFE" if not one.safe else "wrong"
        click.echo(f"{one.started_utc[:16]:<17} {one.trainee:<12} {one.title:<44} {how:<7} {one.score:>3}")
    recent = played[-10:]
    click.echo(
        f"{len(played)} cases; of the last {len(recent)}: {sum(p.right for p in recent)} right, "
        f"{sum(not p.safe for p in recent)} unsafe, {sum(p.score for p in recent) / len(recent):.0f} points on average."
    )
    return 0
