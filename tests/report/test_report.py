"""The page of a run: what it must say, what it must never say, and that nothing in a name gets through."""

from __future__ import annotations

import html.parser
import json
import re
import shutil
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import numpy as np
import pytest

from benchtest import archive
from benchtest.archive import RunWriter
from benchtest.errors import FileError
from benchtest.report import render

KINDS = ("passed", "failed", "stopped", "interrupted", "unfinished", "empty")
VOID = {"meta", "br", "img", "input", "link", "hr"}


class Page(html.parser.HTMLParser):
    """Tags that are open, faults in their nesting, and the text that a person sees."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.faults: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.seen: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        if not self.open or self.open.pop() != tag:
            self.faults.append(tag)

    def handle_data(self, data):
        if "style" not in self.open:
            self.seen.append(data)

    @property
    def text(self) -> str:
        return re.sub(r"\s+", " ", " ".join(self.seen))


@pytest.mark.parametrize("kind", KINDS)
def test_page_of_every_ending_is_well_formed_and_needs_no_network(demo_run, kind):
    path = render(demo_run(kind))
    text = path.read_text(encoding="utf-8")
    page = Page(text)
    assert page.faults == []
    assert page.open == []
    tags = {tag for tag, _ in page.tags}
    assert not tags & {"script", "iframe", "object", "embed", "link", "base", "form"}
    outside = re.findall(r'(?:src|href|url)\s*[=(]\s*["\']?(?!#)(?:https?:|//)[^"\') >]+', text)
    assert outside == []
    ids = [attrs["id"] for _, attrs in page.tags if attrs.get("id")]
    assert len(ids) == len(set(ids))


@pytest.mark.parametrize("kind", KINDS)
def test_page_says_what_it_must_and_never_what_it_must_not(demo_run, kind):
    text = Page(render(demo_run(kind)).read_text(encoding="utf-8")).text
    assert "SIMULATED" in text
    assert "NOT DONE" in text
    assert "Before you touch it" in text
    bare = re.sub(r"electrical safety test|safety limit", "", text, flags=re.I)
    for word in (r"safe\b", r"safely", "certif", "guarantee", r"as new\b", "restored", "meets standard"):
        assert not re.search(word, bare, re.I), word


def test_stop_stands_in_large_words_before_everything_else(demo_run):
    text = render(demo_run("stopped")).read_text(encoding="utf-8")
    assert '<p class="words">SWITCH OFF AT THE WALL</p>' in text
    seen = Page(text).text
    assert seen.index("SWITCH OFF AT THE WALL") < seen.index("output stage shorted") < seen.index("Readings, left")
    assert "THE AMPLIFIER IS STILL ON" in seen
    assert "38.7 V DC at the right output" in seen
    assert "then the right output pair with the diode test" in seen


def test_failed_run_names_quantity_channel_cause_and_next_check(demo_run):
    seen = Page(render(demo_run("failed")).read_text(encoding="utf-8")).text
    assert "Not serviceable as it stands: Output power (right), THD (right) and THD+N (right) are outside" in seen
    assert "bias low" in seen
    assert "Idle current of the right channel, warm" in seen
    # 47.2 W against 60 W: 10 lg(47.2/60) = -1.042 dB.
    assert "missed by 1.04 dB" in seen


def test_left_stands_beside_right_in_one_row_with_unit_uncertainty_limits_and_both_judgements(demo_run):
    text = render(demo_run("passed")).read_text(encoding="utf-8")
    row = next(r for r in re.findall(r"<tr .*?</tr>", text, re.S) if "DC at the output" in r and "minimum" in r)
    seen = Page(row).text
    assert re.search(r"12\.30 ±\u202f?\s?0\.12 .*−8\.10 ±\u202f?\s?0\.12 .*mV .*within ±100 .*yes", seen)
    assert 'aria-label="left inside the limits, right inside the limits"' in row
    power = next(r for r in re.findall(r"<tr .*?</tr>", text, re.S) if "both channels driven" in r)
    assert re.search(r"60 W .*left .*too close to call .*right .*missed by 0\.13 dB", Page(power).text)


def test_unfinished_run_is_called_so_whatever_it_holds(demo_run):
    seen = Page(render(demo_run("unfinished")).read_text(encoding="utf-8")).text
    assert "Unfinished" in seen
    assert "The amplifier may still be on" in seen
    assert "broken off" in seen


def test_altered_run_is_called_so_on_top(demo_run):
    folder = demo_run("passed")
    path = folder / "readings.csv"
    path.write_bytes(path.read_bytes().replace(b"0.0123", b"0.0003"))
    seen = Page(render(folder).read_text(encoding="utf-8")).text
    assert "ALTERED" in seen
    assert seen.index("readings.csv") < seen.index("Demo 60", seen.index("ALTERED"))


def test_report_leaves_the_manifest_true(demo_run):
    folder = demo_run("passed")
    render(folder)
    assert archive.Run(folder).state == "finished"
    assert archive.Run(folder).check.added == ()


@pytest.mark.parametrize(
    "hostile",
    [
        "<script>alert(1)</script>",
        '"><img src=x onerror=alert(1)>',
        "{{ 7*7 }}",
        "</style><b>",
        "a\ud800b",
        "x" * 300,
        "",
    ],
)
def test_nothing_in_a_name_a_note_or_a_column_becomes_part_of_the_page(tmp_path, hostile):
    from datetime import UTC, datetime

    from benchtest.reading import Reading, as_row

    started = datetime(2031, 5, 6, tzinfo=UTC)
    header = {"amplifier": {"name": hostile, "serial": hostile}, "title": hostile, "simulated": False, "bench": hostile}
    writer = RunWriter.create(tmp_path, procedure=hostile, amplifier_name=hostile, started_utc=started, header=header)
    reading = Reading(
        quantity="gain",
        channel="left",
        value=1.0,
        unit="dB",
        note=hostile,
        method=hostile,
        conditions={hostile: hostile},
    )
    writer.append_reading(
        as_row(
            reading,
            run_id=writer.run_id,
            sequence=1,
            time_utc=started,
            procedure=hostile,
            step=hostile,
            simulated=False,
        )
    )
    writer.append_event({"event": "stop", "message": hostile, "words": hostile})
    columns = {"time_s": np.arange(3.0), f"left_{hostile.replace(',', '')}": np.arange(3.0)}
    units = dict.fromkeys(columns, "s")
    writer.save_curve(f"odd {hostile}", columns, units=units, title=hostile)
    cause = {"cause": hostile, "channel": "left", "evidence": hostile, "next_check": hostile}
    writer.close({"result": "stopped", "diagnosis": [cause]})
    text = render(writer.folder).read_text(encoding="utf-8")
    page = Page(text)
    assert page.faults == []
    assert not {"script", "img", "b-"} & {tag for tag, _ in page.tags}
    assert not any(name.startswith("on") for _, attrs in page.tags for name in attrs)
    assert "SIMULATED" not in page.text
    if hostile == "{{ 7*7 }}":
        assert "{{ 7*7 }}" in page.text


def test_every_plot_is_svg_with_a_text_for_who_cannot_see_it_and_names_its_numbers(demo_run):
    folder = demo_run("passed")
    text = render(folder).read_text(encoding="utf-8")
    plots = re.findall(r'<svg class="plot".*?</svg>', text, re.S)
    assert len(plots) == 4
    for plot in plots:
        root = ElementTree.fromstring(plot)
        assert len(root.attrib["aria-label"]) > 40
        assert root.attrib["viewBox"]
    shown = Page(text).text
    for path in (folder / "curves").glob("*.csv"):
        assert f"curves/{path.name}" in shown
    warm_up = next(plot for plot in plots if "warming up" in plot)
    assert "limit −100, limit 100" in warm_up
    assert "time (min)" in warm_up
    assert "voltage (mV)" in warm_up


def test_page_is_made_from_the_folder_alone(demo_run, tmp_path):
    folder = demo_run("passed")
    first = render(folder).read_text(encoding="utf-8")
    moved = tmp_path / "elsewhere"
    shutil.copytree(folder, moved)
    again = render(moved).read_text(encoding="utf-8")
    made = re.compile(r"page made [^<]*? UTC")
    assert made.sub("", first) == made.sub("", again)


def test_run_that_cannot_be_read_gets_no_page(demo_run):
    folder = demo_run("passed")
    (folder / "run.json").write_text("{")
    with pytest.raises(FileError, match=r"run\.json"):
        render(folder)
    assert not (folder / "report.html").exists()


def test_events_without_the_usual_keys_do_no_harm(tmp_path: Path):
    folder = tmp_path / "2031-05-06" / "070809-power_on-demo-60-0a1b2c"
    folder.mkdir(parents=True)
    lines = [
        {"event": "stop"},
        {"event": "step_started"},
        {"event": "step_ended"},
        {"event": "note"},
        {"x": 1},
        {"event": "prompt"},
    ]
    (folder / "events.jsonl").write_text("".join(json.dumps(line) + "\n" for line in lines))
    assert "SWITCH OFF AT THE WALL" in render(folder).read_text(encoding="utf-8")
