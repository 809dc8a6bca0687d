"""``benchtest train``: a hidden fault on the simulated bench, played by typing. One of the doors to the simulated bench."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from benchtest.training.lessons import CaseToPlay
    from benchtest.training.session import Session


@click.command()
@click.argument("level", type=click.Choice(["easy", "medium", "hard"]), required=False)
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
    level: str | None,
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
    """Practise on a hidden fault of LEVEL easy, medium or hard; without one a list of lessons and levels is shown.

    Type what you do, or press Enter for menus. Lines may also come from a file or a pipe. One case in five is healthy; an
    unsafe act loses the case; extra measurements cost little; 'stop' can be right.
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
    if level is None and lesson is None and exercise is None and write is None and _by_hand():
        from benchtest.cli.arrow_keys import choose

        answer = choose("What would you like to practise on?", _starts(archive, trainee))
        if answer is None:
            return 0
        lesson, level = (int(answer), None) if answer.isdigit() else (None, answer)
    level = level or "easy"
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
    from benchtest.diagnosis.knowledge import shipped
    from benchtest.instruments.protocols import Operator
    from benchtest.safety import open_bench
    from benchtest.training.marking import mark
    from benchtest.training.record import keep
    from benchtest.training.session import Session
    from benchtest.training.words import START, START_BY_HAND
    from simulated_instruments.faults import SCENARIOS
    from simulated_instruments.truth import draw_truth

    channel = draw_truth(case.seed, case.scenario, case.channel).channel
    amplifier = case.amplifier(demo_amplifier_file())
    known = shipped().causes
    causes = {
        s.name: s.one_line + (": the bench" if s.name in known and known[s.name].where == "bench" else "")
        for s in SCENARIOS.values()
        if not s.name.startswith("healthy")
    }
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
        _say(
            f"Rated {amplifier.rated_power_w:g} W into {amplifier.rated_load_ohm:g} ohm; output stage "
            f"{case.output_stage.replace('_', '-')}. It stands there with its lid off, unplugged, nothing connected; whether "
            "its reservoirs are empty, nobody knows. SIMULATED: what you learn is real, the amplifier is not.\n"
            f"{START_BY_HAND if _by_hand() else START}"
        )
        typed: list[str] = []
        for line in _lines(session):
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


def _by_hand() -> bool:
    """Whether a person sits at a terminal, rather than lines from a file or pipe."""
    return sys.stdin.isatty() and sys.stderr.isatty()


def _starts(archive: Path, trainee: str) -> list[tuple[str, str]]:
    """The lessons, with a mark where this trainee was right, and the levels."""
    from benchtest.training.lessons import DIFFICULTIES, lessons
    from benchtest.training.record import progress

    won = {played.level for played in progress(archive, trainee) if played.right and played.safe}
    listed = [
        (f"Lesson {one.number:>2}: {one.title}{'  (done)' if f'lesson {one.number}' in won else ''}", str(one.number))
        for one in lessons().values()
    ]
    return [*listed, *((f"A case of your own, {level}", level) for level in DIFFICULTIES)]


def _lines(session: Session) -> Iterator[str]:
    """What is typed, or chosen from menus; or the lines of a file or pipe, echoed."""
    if not _by_hand():
        for line in sys.stdin:
            text = line.split("#", 1)[0].strip()
            if text:
                _say(f"> {text}")
                yield text
        return
    from benchtest.cli.arrow_keys import choose, typed_lines
    from benchtest.training import menus
    from benchtest.training.words import TYPED

    line_typed = typed_lines([*TYPED, *(f"verdict {cause}" for cause in session.causes)])
    while True:
        try:
            line = line_typed().strip()
        except EOFError:
            return
        except KeyboardInterrupt:
            _say("'quit' leaves the bench, 'verdict' ends the case.")
            continue
        if line in ("", "menu"):
            line = menus.act(choose, session.causes, session.bench.reaches)
        elif line == "verdict":
            line = menus.verdict(choose, session.causes)
        else:
            yield line
            continue
        if line:
            _say(f"> {line}")
            yield line


def _say(text: str) -> None:
    """Print to standard error; on a terminal, long lines are broken between words."""
    if _by_hand():
        import shutil
        import textwrap

        width = min(shutil.get_terminal_size().columns, 118)
        lines = [
            line
            if len(line) <= width
            else textwrap.fill(
                line,
                width,
                break_on_hyphens=False,
                break_long_words=False,
                subsequent_indent=" " * (len(line) - len(line.lstrip()) + 2),
            )
            for line in text.splitlines()
        ]
        text = "\n".join(lines)
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
    click.echo("")
    for first in range(0, len(played), TEN):
        some = played[first : first + TEN]
        click.echo(
            f"case{'s' if len(some) > 1 else ''} {first + 1}{f' to {first + len(some)}' if len(some) > 1 else ''}: "
            f"{sum(p.right for p in some)} of {len(some)} right, {sum(not p.safe for p in some)} unsafe, "
            f"{sum(p.score for p in some) / len(some):.0f} points and {sum(p.measurements for p in some) / len(some):.0f} "
            "measurements on average"
        )
    return 0


TEN = 10
"""Progress is shown by so many cases."""
