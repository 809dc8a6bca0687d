"""The control port: both ends of it, and what goes wrong between them."""

from __future__ import annotations

import contextlib
import json
import socket
import threading
from collections.abc import Iterator

import numpy as np
import pytest

from benchtest.errors import GarbledReply, InstrumentError, NoReply
from benchtest.instruments.control_port import PacedAudio, RemoteClock, RemoteOperator, RemoteSocket
from simulated_instruments.bench import SimulatedBench
from simulated_instruments.control_port import answer, serve_control


@pytest.fixture
def served() -> Iterator[tuple[SimulatedBench, str]]:
    bench = SimulatedBench(seed=4)
    server = serve_control(bench)
    yield bench, server.resource
    server.close()
    bench.close()


@contextlib.contextmanager
def stranger(reply: bytes | None) -> Iterator[str]:
    """Something else that listens on a port: it says this to every line, or nothing (None), or hangs up (b"")."""
    with socket.create_server(("127.0.0.1", 0)) as listener:

        def speak() -> None:
            with contextlib.suppress(OSError):
                connection, _ = listener.accept()
                with connection:
                    while connection.recv(4096):
                        if reply == b"":
                            return
                        if reply is not None:
                            connection.sendall(reply)

        thread = threading.Thread(target=speak, daemon=True)
        thread.start()
        yield f"127.0.0.1:{listener.getsockname()[1]}"
    thread.join(2.0)


def test_it_listens_on_loopback_only(served):
    assert served[1].startswith("127.0.0.1:")


def test_an_hour_passes_at_once(served):
    bench, resource = served
    clock = RemoteClock(resource)
    clock.sleep(3600.0)
    assert clock.now() == bench.now() == 3600.0
    clock.close()


def test_operator_clock_and_socket_are_of_one_bench(served):
    bench, resource = served
    operator, clock, mains = RemoteOperator(resource), RemoteClock(resource), RemoteSocket(resource)
    operator.set({"mains": "on"}, say="on")
    assert mains.is_on() is True
    assert clock.now() == pytest.approx(1.0)
    mains.off()
    assert bench.mains_on is False
    for client in (operator, clock, mains):
        client.close()


def test_the_benchs_own_words_come_through(served):
    operator = RemoteOperator(served[1])
    with pytest.raises(InstrumentError, match=r"mains = 'half': expected one of: on, off"):
        operator.set({"mains": "half"}, say="what?")
    operator.set({"mains": "on"}, say="and the connection lives")
    operator.close()


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("hello", "no JSON"),
        ("[1, 2]", "expected an object"),
        ('{"do": "explode"}', "set, ask, enter"),
        ("{}", "set, ask, enter"),
        ('{"do": "sleep"}', "seconds"),
        ('{"do": "sleep", "seconds": -1}', "0 s or more"),
        ('{"do": "sleep", "seconds": "long"}', "cannot be understood"),
        ('{"do": "sleep", "seconds": NaN}', "0 s or more"),
        ('{"do": "set", "settings": ["mains"], "say": ""}', "object of texts"),
        ('{"do": "set", "settings": {"mains": true}, "say": ""}', "object of texts"),
        ('{"do": "ask", "question": "?", "choices": 3}', "cannot be understood"),
        ('{"do": "now", "more": 1}', "more"),
        ('{"do": "socket", "state": "half"}', "on or off"),
    ],
)
def test_a_bad_request_is_answered_with_an_error(line, says):
    bench = SimulatedBench(seed=4)
    reply = answer(bench, line)
    assert set(reply) == {"error"}
    assert says in reply["error"]
    assert bench.mains_on is False
    assert bench.now() in (0.0, 2.0)  # a question may have been looked into


def test_a_bench_that_fails_is_said_to_fail(monkeypatch, caplog):
    bench = SimulatedBench(seed=4)
    monkeypatch.setattr(bench.amplifier, "switch_mains", lambda on: 1 / 0)
    reply = answer(bench, '{"do": "socket", "state": "on"}')
    assert reply == {"error": "The simulated bench failed: ZeroDivisionError: division by zero."}
    assert "failed at" in caplog.text


def test_after_a_bad_line_the_connection_still_answers(served):
    host, port = served[1].split(":")
    with socket.create_connection((host, int(port)), timeout=5.0) as raw, raw.makefile("rw") as lines:
        lines.write("nonsense\n")
        lines.flush()
        assert "error" in json.loads(lines.readline())
        lines.write('{"do": "now"}\n')
        lines.flush()
        assert json.loads(lines.readline()) == {"result": 0.0}


@pytest.mark.parametrize("resource", ["", "localhost", "127.0.0.1:", "127.0.0.1:99999", "127.0.0.1:0", "5025"])
def test_a_resource_that_is_no_address_is_refused(resource):
    with pytest.raises(InstrumentError, match=r"such as 127\.0\.0\.1:5025"):
        RemoteClock(resource)


def test_a_closed_port_is_said_to_be_closed():
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
    with pytest.raises(InstrumentError, match=f"Nobody answers at the control port 127.0.0.1:{port}"):
        RemoteOperator(f"127.0.0.1:{port}")


def test_a_port_in_use_is_an_error(served):
    with pytest.raises(InstrumentError, match="cannot be opened"):
        serve_control(served[0], port=int(served[1].split(":")[1]))


def test_silence_is_no_reply():
    with stranger(None) as resource:
        clock = RemoteClock(resource, timeout=0.1)
        with pytest.raises(NoReply, match=r"'now' within 0\.1 s"):
            clock.now()
        with pytest.raises(InstrumentError, match="closed"):  # a late answer is never taken for another's
            clock.now()


@pytest.mark.parametrize("reply", [b"+1.0E+00\nx", b"\xff\xfe\n", b'{"answer": 1}\n', b'{"result": "soon"}\n'])
def test_a_garbled_reply_is_said_to_be_garbled(reply):
    with stranger(reply) as resource:
        clock = RemoteClock(resource)
        with pytest.raises(GarbledReply, match="'now'"):
            clock.now()
        clock.close()


def test_an_endless_line_is_garbled():
    with stranger(b"x" * 100_000) as resource:
        clock = RemoteClock(resource)
        with pytest.raises(GarbledReply):
            clock.now()
        clock.close()


def test_a_server_that_goes_away_is_said_to_be_gone():
    with stranger(b"") as resource:
        clock = RemoteClock(resource)
        with pytest.raises(InstrumentError, match="gone"):
            clock.now()


def test_closing_the_server_hangs_up(served):
    bench = SimulatedBench(seed=4)
    server = serve_control(bench)
    clock = RemoteClock(server.resource)
    assert clock.now() == 0.0
    server.close()
    with pytest.raises(InstrumentError):
        clock.now()
    server.close()


def test_an_answer_that_was_not_offered_is_garbled():
    with stranger(b'{"result": "maybe"}\n') as resource:
        operator = RemoteOperator(resource)
        with pytest.raises(GarbledReply, match="yes, no"):
            operator.ask("Is it?", ["yes", "no"])
        operator.close()


def test_a_live_bench_keeps_real_time_while_sound_is_announced():
    bench = SimulatedBench(seed=4, live=True)
    server = serve_control(bench)
    clock = RemoteClock(server.resource)
    clock.sleep(100.0)
    inner = bench.audio()
    audio = PacedAudio(inner, server.resource)
    audio.start()
    stimulus = np.zeros((9600, 2))
    audio.begin(stimulus, record=(0, 9600))
    assert bench.playing() is True
    inner.close()  # the sound goes another way here: through blocks
    thread = threading.Thread(target=clock.sleep, args=(0.05,))
    thread.start()
    thread.join(0.1)
    assert thread.is_alive()  # nothing has come through the bridge yet, and the time did not jump
    assert bench.now() == pytest.approx(100.0)
    while thread.is_alive():
        bench.render_block(np.zeros((480, 2)))
    assert bench.now() >= 100.05
    with pytest.raises(InstrumentError):
        audio.finish()  # closed above; it is told all the same
    assert bench.playing() is False
    clock.close()
    audio.close()
    server.close()


def test_an_announcement_ends_when_begin_is_refused(served):
    bench, resource = served
    audio = PacedAudio(bench.audio(), resource)
    with pytest.raises(InstrumentError, match="start"):
        audio.begin(np.zeros((9600, 2)))
    assert bench.playing() is False
    audio.close()


def test_clients_do_not_wait_for_each_other(served):
    """Mains off goes through while the operator's request waits for the bench."""
    bench, resource = served
    operator, mains = RemoteOperator(resource), RemoteSocket(resource)
    mains.on()
    bench_waits, go_on = threading.Event(), threading.Event()
    advance = bench.advance

    def held(seconds: float) -> None:
        bench_waits.set()
        go_on.wait(5.0)
        advance(seconds)

    bench.advance = held
    thread = threading.Thread(target=lambda: operator.set({"volume": "full"}, say="turn it"))
    thread.start()
    assert bench_waits.wait(5.0)
    mains.off()
    assert bench.mains_on is False
    go_on.set()
    thread.join(5.0)
    operator.close()
    mains.close()
