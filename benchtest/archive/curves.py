"""curves/*.csv read back: columns as arrays, with title, units and what else was said of them."""

from __future__ import annotations

import csv
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchtest.errors import FileError

if TYPE_CHECKING:
    from benchtest.instruments.protocols import FloatArray


@dataclass(frozen=True)
class Curve:
    """columns and units by column name, in the file's order."""

    name: str
    path: Path
    title: str
    columns: Mapping[str, FloatArray]
    units: Mapping[str, str]
    meta: Mapping[str, Any] = field(default_factory=dict)


def read_curve(path: Path) -> Curve:
    """Read a curve; a lost description costs title and units, not the numbers. Raises FileError."""
    import numpy as np

    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            names = next(csv.reader([file.readline()]), [])
            table = np.loadtxt(file, delimiter=",", ndmin=2, comments=None)
        if table.shape[1] != len(names):
            raise ValueError(f"{table.shape[1]} columns under {len(names)} names")
    except (OSError, ValueError, UnicodeDecodeError) as error:
        raise FileError(f"{path}: cannot be read ({error}). Expected a curve: a header row, then numbers.") from error
    title, units, meta = path.stem, dict.fromkeys(names, ""), {}
    try:
        page = json.loads(path.with_name(path.name + "-metadata.json").read_bytes())
        title = page["dc:title"]
        units |= {column["name"]: column.get("schema:unitText", "") for column in page["tableSchema"]["columns"]}
        meta = {item["schema:name"]: item["schema:value"] for item in page.get("schema:additionalProperty", [])}
    except (OSError, ValueError, KeyError, TypeError):
        pass
    return Curve(path.stem, path, str(title), dict(zip(names, table.T, strict=True)), units, meta)
