"""Lists on the terminal that the arrow keys walk, and a line with history and completion. Shown on standard error."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from prompt_toolkit.input import Input
    from prompt_toolkit.output import Output

    from benchtest.training.menus import Choice

LONG = 10
"""A list longer than that is searched by typing."""


def choose(
    question: str, choices: Sequence[Choice], *, keys: Input | None = None, screen: Output | None = None
) -> str | None:
    """Show a list; arrow keys and Enter choose. None after Ctrl-C, and for a choice that stands for nothing."""
    import questionary

    asked = questionary.select(
        question,
        choices=[questionary.Choice(words, value=stands_for) for words, stands_for in choices],
        use_search_filter=len(choices) > LONG,
        use_jk_keys=False,
        instruction="(arrow keys, Enter" + ("; type to search)" if len(choices) > LONG else ")"),
        input=keys,
        output=screen or _screen(),
    )
    chosen = asked.ask(kbi_msg="")
    return str(chosen) if chosen else None


def typed_lines(words: Sequence[str], *, keys: Input | None = None, screen: Output | None = None) -> Callable[[], str]:
    """A function that asks for one line: arrow keys walk what was typed before, Tab completes ``words``.

    It raises EOFError at Ctrl-D and KeyboardInterrupt at Ctrl-C.
    """
    from prompt_toolkit import PromptSession
    from prompt_toolkit.completion import WordCompleter
    from prompt_toolkit.history import InMemoryHistory

    session: PromptSession[str] = PromptSession(
        history=InMemoryHistory(), completer=WordCompleter(list(words), sentence=True), complete_while_typing=False,
        input=keys, output=screen or _screen(),
    )  # fmt: skip
    return lambda: session.prompt("> ")


def _screen() -> Output:
    from prompt_toolkit.output import create_output

    return create_output(stdout=sys.stderr)
