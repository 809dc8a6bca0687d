"""What is watched: smallest, largest, alarm, marks, the record, and that nothing grows with time."""

import csv
import math
import tracemalloc
from datetime import UTC, datetime

import pytest

from benchtest.errors import NoReply
from benchtest.safety.looking import Look, View
from benchtest.watching import Alarm, Record, Watch, watch

STARTED = datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC)


class Scripted:
    """A view of values that a test wrote down; an exception among them is raised."""

    def __init__(self, values, step=0.25):
        self.values, self.step, self.at = iter(values), step, 0.0

    def take(self):
        self.at += self.step
        value = next(self.values)
        if isinstance(value, Exception):
            raise value
        return [Look("", value, "V")]

    def view(self):
        return View("meter", "scripted", True, STARTED, lambda: self.at, self.sleep, self.take, lambda: None)

    def sleep(self, seconds):
        self.at += seconds


def look_on(values, *, alarm=None, keys=None, seconds=math.inf, count=10**9, record=None, every_s=0.25):
    state = Watch(alarm or Alarm())
    scripted = Scripted(values)
    pressed = {k: list(v) for k, v in (keys or {}).items()}  # count of values seen -> keys
    began = []

    def key():
        waiting = pressed.get(state.count, [])
        return waiting.pop(0) if waiting else None

    def show(state, begins):
        if begins:
            began.append(state.count)

    watch(
        scripted.view(), state, record=record, every_s=every_s, seconds=seconds, count=count, key=key, show=show,
        wait=scripted.sleep,
    )  # fmt: skip
    return state, began


def test_smallest_and_largest_leave_overloads_out():
    state, _ = look_on([0.1, -0.3, None, 0.2], count=4)
    trace = state.traces[""]
    assert (trace.minimum, trace.maximum, trace.overloads, trace.value) == (-0.3, 0.2, 1, 0.2)


def test_the_alarm_begins_once_and_again_after_it_was_over():
    state, began = look_on([0.0, 0.2, -0.2, 0.0, None], alarm=Alarm(above=0.1), count=5)
    assert began == [2, 5]
    assert state.alarms == 2


def test_not_a_number_sounds_every_alarm():
    assert Alarm(above=1.0).holds(math.nan)


def test_keys_mark_restart_and_end():
    state, _ = look_on([1.0, 5.0, 2.0, 3.0, 4.0], keys={1: "t", 2: "R", 3: "q"})
    assert state.count == 3
    assert state.marks == ["tapped at 0 s"]
    assert state.traces[""].maximum == 2.0  # anew after the second


def test_only_the_last_marks_are_kept():
    state, _ = look_on([0.0] * 50, keys=dict.fromkeys(range(50), "h"), count=50)
    assert len(state.marks) == 5


def test_ends_after_so_many_seconds_on_the_bench_clock():
    state, _ = look_on([0.0] * 1000, seconds=10.0)
    assert state.seconds == pytest.approx(10.0, abs=0.3)


def test_a_reading_that_fails_is_skipped_and_three_in_a_row_end_it():
    silence = NoReply("no reply")
    state, _ = look_on([0.0, silence, silence, 1.0], count=2)
    assert state.traces[""].maximum == 1.0
    with pytest.raises(NoReply, match="no reply"):
        look_on([0.0, silence, silence, silence], count=9)


def test_the_record_holds_every_value_and_mark(tmp_path):
    scripted = Scripted([])
    record = Record(scripted.view(), tmp_path, "left_output")
    look_on([0.001, None, 0.3], alarm=Alarm(above=0.1), keys={2: "s"}, count=3, record=record)
    record.close()
    assert record.path == tmp_path / "2031-05-06" / "070809-watch-left-output.csv"
    with record.path.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [row["value"] for row in rows] == ["0.001", "", "0.3"]
    assert [row["alarm"] for row in rows] == ["false", "true", "true"]
    assert [row["mark"] for row in rows] == ["", "", "sprayed"]
    assert rows[2]["time_utc"] == "2031-05-06T07:08:09.750Z"
    assert rows[2]["maximum"] == "0.3"


def test_a_second_record_of_the_same_second_replaces_nothing(tmp_path):
    view = Scripted([]).view()
    first, second = Record(view, tmp_path, "x"), Record(view, tmp_path, "x")
    assert first.path != second.path
    first.close()
    second.close()


def test_an_hour_takes_no_more_memory_than_a_minute(tmp_path):
    """What the project's own code holds while it still watches, after a minute's and after an hour's values, four a second.
    Only what benchtest allocated is counted: threads that other tests left behind allocate as well."""
    held = []

    def values(n):
        for k in range(n):
            if k == n - 1:
                own = tracemalloc.take_snapshot().filter_traces([tracemalloc.Filter(True, "*/benchtest/*")])
                held.append(sum(each.size for each in own.statistics("filename")))
            yield math.sin(k)

    for number, count in enumerate((240, 14_400)):
        record = Record(Scripted([]).view(), tmp_path, f"memory{number}")
        tracemalloc.start()
        look_on(values(count), count=count, keys={10: "t"}, record=record, alarm=Alarm(above=2.0))
        tracemalloc.stop()
        record.close()
    assert held[0] > 0
    assert held[1] < held[0] + 20_000  # kept values would be 460 kB and more
