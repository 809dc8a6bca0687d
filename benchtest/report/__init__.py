"""report.html: one file, made from a run folder and nothing else; no network, no script, for paper and telephone alike.

Also for a run that was stopped, interrupted, killed or altered: the page then says so on top. What a report shows from
run.json is listed in ``page``; the curves are drawn by ``plots``; the words are in ``wording``.
"""

from __future__ import annotations

from pathlib import Path

__all__ = ["render"]


def render(folder: Path) -> Path:
    """Write report.html into a run folder and return its path. The folder's other files are left as they are.

    Raises FileError if the run cannot be read or the page cannot be written.
    """
    from benchtest.archive.durable import write_whole
    from benchtest.archive.run import Run
    from benchtest.report.page import page_of, rated_power
    from benchtest.report.template import environment

    run = Run(Path(folder))
    page = page_of(run)
    curves = run.curves()
    if curves:
        from benchtest.report.plots import pictures

        page["pictures"] = pictures(curves, run.rows(), rated_power(run), run.summary.get("calibration"))
    else:
        page["pictures"] = []
    text = environment().get_template("report.html.j2").render(page)
    path = run.folder / "report.html"
    write_whole(path, text.encode("utf-8", "replace"), sync=False)
    return path
