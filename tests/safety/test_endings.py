"""How a run ends that nobody planned: what is switched off, and whether the last words are true."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchtest.amplifier_file import load_amplifier
from benchtest.errors import InstrumentError, NotAllowed
from benchtest.procedure import Procedure, run
from benchtest.safety import open_bench
from tests.safety.conftest import DEMO

NO_SOCKET = Path(__file__).parents[2] / "procedures" / "demo_handheld_bench.toml"


def ending(act, bench) -> tuple[str, str]:
    """Result and last words of a run that switches on and then ends as ``act`` says."""
    test = Procedure("Ends early", name="ends_early")

    @test.step("On", why="")
    def on(bench, amplifier):
        bench.hook_up("Inputs shorted.", inputs="shorted", volume="minimum")
        bench.mains_on()
        yield []
        act(bench)

    summary = run(test, bench, archive=None).summary
    return summary["result"], summary["ending"]


def interrupt(bench):
    raise KeyboardInterrupt


def fail(bench):
    raise InstrumentError("the meter is silent")


def refuse(bench):
    raise NotAllowed("too loud")


def stop(bench):
    bench.stop("smoke")


WAYS = [(interrupt, "interrupted"), (fail, "error"), (refuse, "stopped"), (stop, "stopped")]


@pytest.mark.parametrize(("act", "result"), WAYS)
def test_a_switched_socket_is_off_after_every_ending_that_nobody_planned(emitted, act, result):
    with open_bench(None, amplifier=load_amplifier(DEMO), calibrate=False) as bench:
        assert emitted.bench.mains_socket().is_on() is False
        ended, words = ending(act, bench)
        assert ended == result
        assert emitted.bench.mains_socket().is_on() is False
        assert words.startswith("Mains off. The reservoirs are charged")


@pytest.mark.parametrize(("act", "result"), WAYS)
def test_without_one_the_amplifier_is_said_to_be_on(act, result):
    with open_bench(NO_SOCKET) as bench:
        ended, words = ending(act, bench)
    assert (ended, words[:26]) == (result, "THE AMPLIFIER IS STILL ON,")


def test_a_socket_that_does_not_obey_is_not_believed_to_be_off(emitted, monkeypatch):
    said: list[dict] = []
    with open_bench(None, amplifier=load_amplifier(DEMO), calibrate=False) as bench:
        bench.events.subscribe(said.append)
        test = Procedure("Ends early", name="ends_early")

        @test.step("On", why="")
        def on(bench, amplifier):
            bench.mains_on()
            yield []
            socket = type(emitted.bench.mains_socket())

            def dead(self):
                raise InstrumentError("no reply from the socket")

            monkeypatch.setattr(socket, "off", dead)
            raise KeyboardInterrupt

        summary = run(test, bench, archive=None, listeners=[said.append]).summary
        monkeypatch.undo()
    assert "STILL ON" in summary["ending"]
    assert any("does not obey" in event.get("text", "") for event in said)


def test_before_anything_was_switched_the_state_is_not_known():
    with open_bench(NO_SOCKET) as bench:
        assert "does not know whether it is on" in bench.ending_words()


@pytest.mark.parametrize("answered", [False, True])
def test_at_the_first_prompt_the_mains_is_off_when_somebody_has_said_so(monkeypatch, answered):
    with open_bench(NO_SOCKET) as bench:
        if not answered:
            monkeypatch.setattr("simulated_instruments.operator.SimulatedOperator.set", _interrupted)
            with pytest.raises(KeyboardInterrupt):
                bench.hook_up("Inputs shorted.", inputs="shorted")
            assert "does not know" in bench.ending_words()
        else:
            bench.hook_up("Inputs shorted.", inputs="shorted")
            assert bench.ending_words().startswith("Mains off.")


def test_interrupted_while_switching_on_it_may_be_on(monkeypatch):
    with open_bench(NO_SOCKET) as bench:
        bench.hook_up("Inputs shorted.", inputs="shorted")
        monkeypatch.setattr("simulated_instruments.operator.SimulatedOperator.set", _interrupted)
        with pytest.raises(KeyboardInterrupt):
            bench.mains_on()
        assert "STILL ON" in bench.ending_words()


def _interrupted(*args, **more):
    raise KeyboardInterrupt


NEAR = [
    lambda bench: bench.hook_up("Lamp out.", lamp="out"),
    lambda bench: bench.hook_up("Dummy load on.", load="load"),
    lambda bench: bench.move_meter("rail_positive"),
    lambda bench: list(bench.touch_in_turn(["left_speaker_fuse"], say="Touch the fuse.")),
]


@pytest.mark.parametrize("act", NEAR, ids=["lamp", "load", "inside", "in turn"])
@pytest.mark.parametrize("socket", [False, True])
def test_hands_near_the_mains_are_told_off_at_the_wall_unless_a_socket_holds_it_off(act, socket, tmp_path):
    path = NO_SOCKET
    if socket:
        path = tmp_path / "bench.toml"
        path.write_text(NO_SOCKET.read_text() + '\n[mains_socket]\ndriver = "simulated"\n')
    said: list[dict] = []
    with open_bench(path) as bench:
        bench.hook_up("Inputs shorted, lid off.", inputs="shorted", lid="off")
        bench.events.subscribe(said.append)
        act(bench)
    (prompt,) = [event["say"] for event in said if event["event"] == "prompt"]
    assert ("AT THE WALL" in prompt) is not socket


def test_a_lead_at_the_terminals_is_moved_live_without_such_words():
    said: list[dict] = []
    with open_bench(NO_SOCKET) as bench:
        bench.hook_up("Inputs shorted.", inputs="shorted")
        bench.mains_on()
        bench.events.subscribe(said.append)
        bench.move_meter("left_output")
    assert not any("WALL" in event.get("say", "") for event in said)
