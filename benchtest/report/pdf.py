"""A page as PDF: real text that can be selected and searched, tagged for screen readers. WeasyPrint, an optional extra.

The page brings everything with it, so nothing is fetched: neither from the network nor from the disk.
"""

from __future__ import annotations

import importlib
import logging
import re
from pathlib import Path
from typing import Any

from benchtest.archive.durable import write_whole
from benchtest.errors import FileError

DEBIAN_PACKAGES = "libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0"
_HOVER = re.compile(r'<circle [^>]*pointer-events="all"><title>.*?</title></circle>', re.S)
"""What only a pointer finds: left out on paper."""


def write_pdf(page: Path, pdf: Path) -> Path:
    """Make ``pdf`` of the HTML file ``page``. Raises FileError: WeasyPrint or its libraries are missing, or the file
    cannot be written."""
    weasyprint = _weasyprint()
    text = _HOVER.sub("", page.read_text(encoding="utf-8"))
    logging.getLogger("weasyprint").setLevel(logging.ERROR)  # it tells of every style that paper has no use for
    document = weasyprint.HTML(string=text, url_fetcher=_nothing_fetched(weasyprint), base_url="about:blank")
    write_whole(pdf, document.write_pdf(pdf_tags=True), sync=False)
    return pdf


def _weasyprint() -> Any:
    try:
        return importlib.import_module("weasyprint")
    except ImportError as error:
        raise FileError(
            "PDF needs the package weasyprint, which is not installed. Install it with 'pip install benchtest[pdf]', or "
            "print the HTML page from a browser: it is made for A4 too."
        ) from error
    except OSError as error:  # its libraries are opened when it is imported
        raise FileError(
            f"PDF needs libraries that are not installed ({error}). Install them with 'sudo apt install {DEBIAN_PACKAGES}', "
            "or print the HTML page from a browser: it is made for A4 too."
        ) from error


def _nothing_fetched(weasyprint: Any) -> Any:
    """A fetcher that knows data: addresses only, in the form that the installed version wants."""
    if hasattr(weasyprint, "URLFetcher"):
        return weasyprint.URLFetcher(allowed_protocols=("data",))

    def fetch(url: str, *arguments: Any, **more: Any) -> Any:
        if not url.startswith("data:"):
            raise ValueError(f"nothing is fetched: {url[:80]}")
        return weasyprint.default_url_fetcher(url, *arguments, **more)

    return fetch
