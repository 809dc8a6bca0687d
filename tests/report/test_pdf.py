"""The PDF: real text, one sheet for the owner, nothing fetched. Read back by poppler's tools."""

from __future__ import annotations

import importlib
import subprocess

import pytest

from benchtest.archive.run import Run
from benchtest.errors import FileError
from benchtest.report import render
from benchtest.report.owner import write_owner_page
from benchtest.report.pdf import write_pdf


def _poppler(*command: object) -> str:
    return subprocess.run([str(part) for part in command], check=True, capture_output=True, text=True).stdout


@pytest.mark.needs("poppler-utils", "libpango-1.0-0", "libpangoft2-1.0-0")
@pytest.mark.parametrize("kind", ["passed", "stopped"])
def test_report_as_pdf_has_text_that_can_be_selected_on_a4(demo_run, kind):
    pytest.importorskip("weasyprint")
    page = render(demo_run(kind))
    pdf = write_pdf(page, page.with_suffix(".pdf"))
    told = _poppler("pdfinfo", pdf)
    assert "A4" in told
    assert "Tagged:          yes" in told
    text = _poppler("pdftotext", "-layout", pdf, "-")
    assert "SIMULATED" in text
    assert "DC at the output" in text
    if kind == "passed":
        assert "output power (W)" in text  # of a curve: text inside the picture too
    else:
        assert "SWITCH OFF AT THE WALL" in text


@pytest.mark.needs("poppler-utils", "libpango-1.0-0", "libpangoft2-1.0-0")
def test_owners_page_is_one_sheet(demo_run):
    pytest.importorskip("weasyprint")
    page = write_owner_page(Run(demo_run("passed")), None)
    pdf = write_pdf(page, page.with_suffix(".pdf"))
    assert "Pages:           1\n" in _poppler("pdfinfo", pdf)
    assert "NOT DONE" in _poppler("pdftotext", pdf, "-")


@pytest.mark.needs("libpango-1.0-0", "libpangoft2-1.0-0")
def test_nothing_is_fetched_from_disk_or_network(tmp_path):
    pytest.importorskip("weasyprint")
    secret = tmp_path / "secret.txt"
    secret.write_text("the secret")
    page = tmp_path / "page.html"
    page.write_text(f'<link rel="attachment" href="file://{secret}"><img src="file://{secret}"><p>text</p>')
    pdf = write_pdf(page, tmp_path / "page.pdf")
    assert b"the secret" not in pdf.read_bytes()
    assert b"/EmbeddedFile" not in pdf.read_bytes()


@pytest.mark.parametrize(
    ("error", "match"),
    [
        (ImportError("no module"), r"pip install benchtest\[pdf\]"),
        (OSError("cannot load library 'libpango-1.0-0'"), "sudo apt install libpango-1.0-0"),
    ],
)
def test_what_is_missing_is_named_with_how_to_get_it(monkeypatch, tmp_path, error, match):
    def missing(name: str, package: str | None = None):
        raise error

    monkeypatch.setattr(importlib, "import_module", missing)
    with pytest.raises(FileError, match=match):
        write_pdf(tmp_path / "page.html", tmp_path / "page.pdf")
    assert list(tmp_path.iterdir()) == []
