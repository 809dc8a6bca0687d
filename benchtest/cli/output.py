"""JSON to standard output and nothing else there; words to standard error."""

from __future__ import annotations

import json
import math
from typing import Any

import click


def print_json(value: Any) -> None:
    """One JSON document on standard output; what is not a finite number is null."""
    click.echo(json.dumps(_finite(value), indent=2, ensure_ascii=False, allow_nan=False, default=str))


def _finite(value: Any) -> Any:
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: _finite(part) for key, part in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(part) for part in value]
    return value
