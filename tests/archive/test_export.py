"""A workshop's archive as one table, read back by engines that know nothing of this project."""

from __future__ import annotations

import csv
import json
import shutil
import subprocess
from datetime import UTC, datetime, timedelta

import pandas as pd
import pytest

from benchtest import archive
from benchtest.archive.export import EXPORT_COLUMNS, export_csv, export_parquet
from benchtest.archive.run import Run
from benchtest.errors import FileError

FIRST = datetime(2031, 1, 30, 7, 0, 0, tzinfo=UTC)
NASTY = 'a "quoted", note\r\nof two lines'


@pytest.fixture(scope="module")
def three_runs(tmp_path_factory, new_run, row):
    """Three runs in two months; the note of one holds a line break, a quote and a comma."""
    here = tmp_path_factory.mktemp("three_runs")
    for number in range(3):
        writer = new_run(
            here, "=Demo, 60", FIRST + timedelta(days=number), amplifier={"name": "=Demo, 60", "serial": "1"}
        )
        writer.append_reading(row(writer.run_id, 1, value=0.1 * number))
        writer.append_reading(
            row(writer.run_id, 2, quantity="gain", value=None, unit="dB", note=NASTY if number == 1 else "")
        )
        writer.close({"result": "passed"})
    return archive.open(here)


def _runs(shelf):
    return [Run(line.folder) for line in shelf.runs()]


def test_csv_holds_every_reading_with_the_columns_that_its_description_names(three_runs, tmp_path):
    path = tmp_path / "all.csv"
    assert export_csv(_runs(three_runs), path) == 6
    with path.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 6
    assert {row["amplifier"] for row in rows} == {"'=Demo, 60"}  # no formula for a spreadsheet
    assert {row["note"] for row in rows} == {"", NASTY}
    assert [row["state"] for row in rows] == ["finished"] * 6
    page = json.loads((tmp_path / "all.csv-metadata.json").read_text())
    assert [column["name"] for column in page["tableSchema"]["columns"]] == list(rows[0])
    assert list(rows[0]) == [column.name for column in EXPORT_COLUMNS]


def test_csv_agrees_with_its_description_by_an_independent_validator(three_runs, tmp_path):
    csvw = pytest.importorskip("csvw")
    path = tmp_path / "all.csv"
    export_csv(_runs(three_runs), path)
    assert csvw.CSVW(str(tmp_path / "all.csv-metadata.json"), validate=True).is_valid


def test_export_holds_what_the_table_in_python_holds(three_runs, tmp_path):
    path = tmp_path / "all.csv"
    export_csv(_runs(three_runs), path)
    frame = three_runs.readings()
    again = pd.read_csv(path, keep_default_na=False, na_values={"value": [""]})
    assert again["value"].tolist()[::2] == frame["value"].tolist()[::2]
    assert again["run_id"].tolist() == frame["run_id"].tolist()


def test_parquet_is_one_table_for_duckdb_and_pandas(three_runs, tmp_path):
    pytest.importorskip("pyarrow")
    duckdb = pytest.importorskip("duckdb")
    folder = tmp_path / "readings"
    assert export_parquet(_runs(three_runs), folder) == 6
    assert sorted(str(p.relative_to(folder)) for p in folder.rglob("*.parquet")) == [
        "year=2031/month=1/readings-000.parquet",
        "year=2031/month=2/readings-000.parquet",
    ]
    table = f"'{folder}/**/*.parquet'"
    query = f"select month, count(*), max(value) from {table} where quantity = 'dc_offset' group by all order by 1"
    assert duckdb.sql(query).fetchall() == [(1, 2, 0.1), (2, 1, 0.2)]
    kinds = {name: kind for name, kind, *_ in duckdb.sql(f"describe select * from {table}").fetchall()}
    assert (kinds["value"], kinds["sequence"], kinds["simulated"]) == ("DOUBLE", "BIGINT", "BOOLEAN")
    assert kinds["time_utc"] == "TIMESTAMP WITH TIME ZONE"
    frame = pd.read_parquet(folder)
    assert set(frame["note"]) == {"", NASTY}
    assert set(frame["amplifier"]) == {"=Demo, 60"}  # no spreadsheet reads Parquet


def test_csv_opens_in_duckdb_with_the_right_types(three_runs, tmp_path):
    duckdb = pytest.importorskip("duckdb")
    path = tmp_path / "all.csv"
    export_csv(_runs(three_runs), path)
    kinds = {name: kind for name, kind, *_ in duckdb.sql(f"describe select * from '{path}'").fetchall()}
    assert (kinds["value"], kinds["sequence"], kinds["simulated"]) == ("DOUBLE", "BIGINT", "BOOLEAN")
    assert kinds["time_utc"] == "TIMESTAMP WITH TIME ZONE"


@pytest.mark.needs("libreoffice-calc-nogui")
@pytest.mark.slow
def test_csv_opens_in_a_spreadsheet_and_no_cell_is_a_formula(three_runs, tmp_path):
    export_csv(_runs(three_runs), tmp_path / "all.csv")
    command = [
        "soffice", f"-env:UserInstallation=file://{tmp_path}/profile", "--headless",
        "--infilter=CSV:44,34,76,1,,0,false,true", "--convert-to", "fods", "--outdir", str(tmp_path),
        str(tmp_path / "all.csv"),
    ]  # fmt: skip
    subprocess.run(command, check=True, capture_output=True, timeout=120)
    sheet = (tmp_path / "all.fods").read_text(encoding="utf-8")
    assert "table:formula" not in sheet
    assert 'office:value-type="float" office:value="0.1"' in sheet


@pytest.mark.parametrize("export", [export_csv, export_parquet])
def test_nothing_is_overwritten_and_nothing_half_done_is_left(three_runs, tmp_path, export):
    if export is export_parquet:
        pytest.importorskip("pyarrow")
    path = tmp_path / "here"
    path.write_text("mine")
    with pytest.raises(FileError, match="nothing is overwritten"):
        export(_runs(three_runs), path)
    assert path.read_text() == "mine"
    newest = next(iter(three_runs.folders()))
    doubled = [Run(newest), Run(newest)]
    with pytest.raises(FileError, match="would count twice"):
        export(doubled, tmp_path / "there")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["here"]


def test_two_folders_of_one_run_are_named_by_the_check_and_refused_by_the_table(three_runs, tmp_path):
    shutil.copytree(three_runs.path, tmp_path / "archive")
    shelf = archive.open(tmp_path / "archive")
    newest = next(iter(shelf.folders()))
    shutil.copytree(newest, newest.with_name(newest.name[:-6] + "abcdef"))
    found = [run for run in shelf.check() if run.same_id_as]
    assert len(found) == 1
    assert not found[0].sound
    assert len(shelf.runs()) == 4
    with pytest.raises(FileError, match="both say that they are run"):
        shelf.readings()
