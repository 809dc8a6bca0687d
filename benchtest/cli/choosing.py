"""Options that several commands share: which archive, JSON, and which of its runs."""

from __future__ import annotations

import functools
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import click

ARCHIVE = click.option(
    "--archive",
    type=click.Path(path_type=Path),
    default=Path("reports"),
    show_default=True,
    help="Where runs are kept.",
)
JSON = click.option("--json", "as_json", is_flag=True, help="Print JSON.")
_DATE = click.DateTime(["%Y-%m-%d"])


def filtered(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the filter options; it gets them as ``where``, a Filter."""

    @click.option("--amplifier", default="", metavar="TEXT", help="Anywhere in the amplifier's name.")
    @click.option("--serial", default="", metavar="TEXT", help="The whole serial number.")
    @click.option("--procedure", default="", metavar="NAME", help="The procedure's name.")
    @click.option("--result", default="", metavar="WORD", help="passed, failed, stopped, unfinished, ...")
    @click.option(
        "--where", "conditions", multiple=True, metavar="CONDITION",
        help="A reading's value, such as 'dc_offset > 0.05' or '|dc_offset| > 50 mV'. May be given again.",
    )  # fmt: skip
    @click.option("--since", type=_DATE, metavar="YYYY-MM-DD", help="From this UTC date on.")
    @click.option("--until", type=_DATE, metavar="YYYY-MM-DD", help="Up to and with this UTC date.")
    @functools.wraps(command)
    def with_filter(
        *,
        amplifier: str,
        serial: str,
        procedure: str,
        result: str,
        conditions: tuple[str, ...],
        since: datetime | None,
        until: datetime | None,
        **others: Any,
    ) -> Any:
        from benchtest.archive import Filter, condition

        where = Filter(
            amplifier=amplifier,
            serial_number=serial,
            procedure=procedure,
            result=result,
            since=since.date() if since else None,
            until=until.date() if until else None,
            conditions=tuple(map(condition, conditions)),
        )
        return command(where=where, **others)

    return with_filter
