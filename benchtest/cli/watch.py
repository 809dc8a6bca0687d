"""``benchtest watch``: one meter or the sound card's levels, live, in digits that are read from two metres."""

from __future__ import annotations

import contextlib
import math
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

    from benchtest.instruments.keyboard import Keyboard
    from benchtest.watching import Watch

_FUNCTIONS = ("dc_volts", "ac_volts", "resistance", "diode", "dc_current")
_REDRAWN_S = 0.1


@click.command()
@click.argument("point", default="")
@click.option("--bench", "bench_file", type=click.Path(path_type=Path), help="Bench file; without: the one used last.")
@click.option("--simulated", is_flag=True, help="Watch the simulated bench, whatever was used last.")
@click.option("--function", type=click.Choice(_FUNCTIONS), default="dc_volts", show_default=True,
              help="What the meter measures.")  # fmt: skip
@click.option("--above", help="Alarm where the magnitude is above this, such as '100 mV'.")
@click.option("--below", help="Alarm where the magnitude is below this.")
@click.option("--every", "every_s", type=click.FloatRange(0.02, 3600.0), default=0.25, show_default=True,
              help="Seconds from one value to the next.")  # fmt: skip
@click.option("--seconds", type=click.FloatRange(0.0), help="End after so long on the bench's clock.")
@click.option("--count", type=click.IntRange(1), help="End after so many values.")
@click.option("--archive", type=click.Path(path_type=Path), default=Path("reports"), show_default=True,
              help="Where the record is kept.")  # fmt: skip
@click.option("--no-record", is_flag=True, help="Keep no record.")
@click.option("--scenario", default="healthy", show_default=True, help="What is wrong with the simulated amplifier.")
@click.option("--seed", type=int, default=0, show_default=True, help="Seed of the simulated bench.")
@click.option("--json", "as_json", is_flag=True, help="Print the summary as JSON at the end.")
def watch(
    point: str,
    bench_file: Path | None,
    simulated: bool,
    function: str,
    above: str | None,
    below: str | None,
    every_s: float,
    seconds: float | None,
    count: int | None,
    archive: Path,
    no_record: bool,
    scenario: str,
    seed: int,
    as_json: bool,
) -> int:
    """Show one value live. POINT is a test point, a meter's name, or "sound_card" for the levels at its inputs.

    Without POINT the movable meter is watched where its leads are. Nothing is driven. Keys: t tapped, h heated,
    s sprayed, m or space marked, r smallest and largest anew, q ends it.
    """
    from rich.console import Console

    from benchtest import last_bench
    from benchtest.cli.output import print_json
    from benchtest.errors import FileError
    from benchtest.instruments.accuracy import UNITS
    from benchtest.instruments.protocols import Function
    from benchtest.safety.looking import open_view
    from benchtest.watching import Alarm, Record, Watch
    from benchtest.watching import watch as look_on

    if simulated and bench_file is not None:
        raise FileError("--simulated and --bench were given together. Leave one of the two out.")
    console = Console(stderr=True, highlight=False)
    remembered = None if simulated or bench_file is not None or scenario != "healthy" else last_bench.remembered()
    if remembered is not None:
        console.print(f"bench {remembered} (the one used last; --simulated for the simulated one)", markup=False)
    where = bench_file or remembered
    kind = Function(function)
    unit = UNITS[kind]
    alarm = Alarm(_limit(above, unit, "--above", math.inf), _limit(below, unit, "--below", -math.inf))
    state = Watch(alarm)
    view = open_view(where, point, function=kind, seed=seed, scenario=scenario, every_s=every_s)
    try:
        if bench_file is not None:
            last_bench.remember(bench_file)
        record = None if no_record else Record(view, archive, point or "meter")
        tag = "SIMULATED  " if view.simulated else ""
        console.print(f"{tag}{view.title}  [{view.identity}]", markup=False, soft_wrap=True)
        with _keys(view.asks) as keyboard:
            live = console.is_terminal and keyboard is not None
            wait = time.sleep if live else view.sleep  # a simulated bench's clock jumps; eyes do not

            def passing(left: float) -> None:
                if live and view.simulated:
                    view.sleep(left)
                wait(left)

            with _screen(console, live, tag + view.title) as show, contextlib.suppress(KeyboardInterrupt):
                look_on(
                    view, state, record=record, every_s=every_s, seconds=seconds or math.inf, count=count or sys.maxsize,
                    key=keyboard.pressed if keyboard is not None else _no_key, show=show, wait=passing,
                )  # fmt: skip
        if record is not None:
            record.close()
    finally:
        view.close()
    kept = str(record.path) if record is not None else None
    if as_json:
        print_json({**summary(state), "title": view.title, "simulated": view.simulated, "record": kept})
    else:
        for label, trace in state.traces.items():
            console.print(f"{tag}{label or view.title}: {_span(trace)}", markup=False, soft_wrap=True)
        if kept:
            console.print(f"record: {kept}", markup=False, soft_wrap=True)
    return 1 if state.alarms else 0


def summary(state: Watch) -> dict[str, Any]:
    """What was seen, for JSON."""
    return {
        "count": state.count,
        "seconds": state.seconds,
        "alarms": state.alarms,
        "marks": state.marks,
        "values": {
            label or "value": {
                "last": trace.value, "minimum": trace.minimum, "maximum": trace.maximum, "unit": trace.unit,
                "overloads": trace.overloads,
            }
            for label, trace in state.traces.items()
        },
    }  # fmt: skip


def _limit(text: str | None, unit: str, option: str, missing: float) -> float:
    from benchtest.errors import FileError
    from benchtest.instruments.handheld import parse_typed

    if text is None:
        return missing
    try:
        value = parse_typed(text, unit).value
    except ValueError as error:
        raise FileError(f"{option} {text!r}: {error}") from error
    if value is None or not value >= 0.0:
        raise FileError(f"{option} {text!r}: expected a magnitude of 0 {unit} or more, such as '100 mV'.")
    return value


def _no_key() -> str | None:
    return None


class _Marking:
    """A keyboard whose space bar, which is tone off elsewhere, makes a mark: nothing is driven here."""

    def __init__(self, descriptor: int) -> None:
        from benchtest.instruments.keyboard import Keyboard

        self._spaces = 0
        self.keyboard: Keyboard = Keyboard(descriptor, self._space)

    def _space(self) -> None:
        self._spaces += 1

    def pressed(self) -> str | None:
        if self._spaces:
            self._spaces -= 1
            return "m"
        return self.keyboard.pressed()


@contextlib.contextmanager
def _keys(asks: bool) -> Any:
    """Single keys, where standard input is a terminal and the values are not typed there."""
    from benchtest.instruments.keyboard import Keyboard

    if asks or not sys.stdin.isatty() or not Keyboard.possible():
        yield None
        return
    marking = _Marking(sys.stdin.fileno())
    try:
        with marking.keyboard.answering():
            yield marking
    finally:
        marking.keyboard.close()


@contextlib.contextmanager
def _screen(console: Console, live: bool, title: str) -> Any:
    """What shows each value: the big digits on a terminal, elsewhere a line a second."""
    if not live:
        yield _lines(console)
        return
    from rich.live import Live

    with Live(console=console, auto_refresh=False, screen=False) as shown:
        drawn_at = -math.inf

        def show(state: Watch, begins: bool) -> None:
            nonlocal drawn_at
            if begins or (state.alarmed and int(time.monotonic()) != int(drawn_at)):
                console.bell()  # the terminal's own sound, never through the sound card under test
            if begins or time.monotonic() - drawn_at >= _REDRAWN_S:
                shown.update(picture(state, title, console.width), refresh=True)
                drawn_at = time.monotonic()

        yield show


def _lines(console: Console) -> Callable[[Watch, bool], None]:
    said_at = -math.inf

    def show(state: Watch, begins: bool) -> None:
        nonlocal said_at
        if begins:
            console.bell()
        if begins or state.count == 1 or state.seconds - said_at >= 1.0:
            said_at = state.seconds
            parts = [f"{label} {_shown(trace.value, trace.unit)}".strip() for label, trace in state.traces.items()]
            alarm = "  ALARM" if state.alarmed else ""
            console.print(f"{state.seconds:8.1f} s  {'   '.join(parts)}{alarm}", markup=False, soft_wrap=True)

    return show


def picture(state: Watch, title: str, width: int) -> RenderableType:
    """The screen: large digits of every value, and below them its span, the alarm, the marks and the keys."""
    from rich.console import Group
    from rich.text import Text

    from benchtest.big_digits import columns, drawn

    style = "bold red" if state.alarmed else "bold"
    parts: list[Text] = [Text(title, style="dim")]
    for label, trace in state.traces.items():
        big, in_words = _fitting(trace, width)
        rows = drawn(big) if columns(big) <= width else [big]
        rows[-1] += in_words
        parts += [Text(), *(Text(row, style=style, no_wrap=True, overflow="crop") for row in rows), Text()]
        parts.append(Text(f"{label or 'since the start'}: {_span(trace)}"))
    if state.alarmed:
        parts.append(Text("ALARM", style="bold white on red"))
    parts.append(Text("  ".join(state.marks)))
    parts.append(Text("t tapped  h heated  s sprayed  m marked  r anew  q end", style="dim"))
    return Group(*parts)


def _fitting(trace: Any, width: int) -> tuple[str, str]:
    """What is drawn large, and what of it has to stand beside in small letters: the unit is large where it can be."""
    from benchtest.big_digits import columns, in_figures

    for digits in (4, 3):
        number, unit = in_figures(trace.value, trace.unit, digits)
        sign = "" if number.startswith(("-", "O")) else " "
        if columns(f"{sign}{number} {unit}") <= width:
            return f"{sign}{number} {unit}", ""
    return f"{sign}{number}", f"  {unit}"


def _span(trace: Any) -> str:
    over = f"   overload {trace.overloads} times" if trace.overloads else ""
    if not trace.minimum <= trace.maximum:
        return f"no value{over}"
    return f"smallest {_shown(trace.minimum, trace.unit)}   largest {_shown(trace.maximum, trace.unit)}{over}"


def _shown(value: float | None, unit: str) -> str:
    from benchtest.big_digits import in_figures

    return " ".join(in_figures(value, unit))
