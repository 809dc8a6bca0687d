"""The templates, all with everything escaped that comes from a run."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import jinja2

TEMPLATES = Path(__file__).parent / "templates"


def environment() -> jinja2.Environment:
    import jinja2

    from benchtest.report.wording import shown_conditions

    made = jinja2.Environment(
        loader=jinja2.FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["shown_conditions"] = shown_conditions
    return made
