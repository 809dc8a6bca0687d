"""The descriptions beside the CSV files against the W3C Recommendation, and RFC 4180 of the files themselves."""

from __future__ import annotations

import json
import re
import warnings

import numpy as np
import pytest

from benchtest.archive.table import DIALECT

# W3C, Metadata Vocabulary for Tabular Data, 17 December 2015, section 5.11.1: built-in datatypes used here (from memory).
BUILT_IN = {"string", "double", "integer", "boolean", "dateTime", "json"}
# The same, section 5.6 and 5.10: the properties of a column description and of a table that are used here.
COLUMN_PROPERTIES = {"name", "titles", "datatype", "required", "null"}
TABLE_PROPERTIES = {"@context", "url", "dialect", "tableSchema"}


@pytest.fixture(scope="module")
def folder(tmp_path_factory, new_run, row):
    writer = new_run(tmp_path_factory.mktemp("csvw"))
    writer.append_reading(row(writer.run_id, 1, note='a, "b"\r\nc', channel="right"))
    writer.append_reading(row(writer.run_id, 2, value=None, expanded_uncertainty=None, note="=1+1", conditions={}))
    writer.append_reading(row(writer.run_id, 3, value=float("nan"), upper_limit=float("inf"), frequency_hz=1e-5))
    columns = {"time_s": np.array([0.0, 1.0]), "left_v": np.array([np.nan, 1e-9])}
    meta = {"floor_v": 1e-6, "driven": ["left"]}
    writer.save_curve("offset_warmup", columns, units={"time_s": "s", "left_v": "V"}, title="Warm-up", meta=meta)
    writer.close({"result": "passed"})
    return writer.folder


@pytest.mark.parametrize("name", ["readings.csv", "curves/offset_warmup.csv"])
def test_description_names_every_column_with_type_and_meaning(folder, name):
    page = json.loads((folder / f"{name}-metadata.json").read_text(encoding="utf-8"))
    header = (folder / name).read_bytes().split(b"\r\n")[0].decode().split(",")
    columns = page["tableSchema"]["columns"]
    assert [column["name"] for column in columns] == header
    assert page["url"] == name.rsplit("/", 1)[-1]
    assert page["@context"][0] == "http://www.w3.org/ns/csvw"
    assert all(key in TABLE_PROPERTIES or ":" in key for key in page)
    for column in columns:
        datatype = column["datatype"]
        assert (datatype["base"] if isinstance(datatype, dict) else datatype) in BUILT_IN
        assert all(key in COLUMN_PROPERTIES or ":" in key for key in column)
        assert column["dc:description"]


def test_words_that_a_column_allows_are_a_pattern_that_its_cells_match(folder):
    page = json.loads((folder / "readings.csv-metadata.json").read_text(encoding="utf-8"))
    patterns = {
        c["name"]: c["datatype"]["format"] for c in page["tableSchema"]["columns"] if isinstance(c["datatype"], dict)
    }
    assert re.fullmatch(patterns["verdict"], "not_measured")
    assert not re.fullmatch(patterns["verdict"], "passed")
    assert re.fullmatch(patterns["channel"], "both")
    assert patterns["simulated"] == "true|false"


@pytest.mark.parametrize("name", ["readings.csv", "curves/offset_warmup.csv"])
def test_file_keeps_rfc_4180(folder, name):
    """Section 2: records end in CRLF, all have as many fields as the header, quotes are doubled inside quotes."""
    text = (folder / name).read_bytes().decode("utf-8")
    field = r'(?:"(?:[^"]|"")*"|[^",\r\n]*)'
    records = re.findall(rf"{field}(?:,{field})*\r\n", text)
    assert "".join(records) == text
    assert len({len(re.findall(rf"(?:^|,){field}", record.removesuffix("\r\n"))) for record in records}) == 1
    assert DIALECT["lineTerminators"] == ["\r\n"]


@pytest.mark.parametrize("name", ["readings.csv", "curves/offset_warmup.csv"])
def test_a_validator_that_is_not_ours_accepts_it(folder, name):
    csvw = pytest.importorskip("csvw", reason="the package csvw validates CSVW")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        found = csvw.CSVW(str(folder / f"{name}-metadata.json"), validate=True)
        assert found.is_valid, found.warnings
