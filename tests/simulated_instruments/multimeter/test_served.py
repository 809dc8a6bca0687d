"""The simulated meter reached by clients that nobody here wrote: plain pyvisa, pyserial, text over a socket."""

from __future__ import annotations

import math
import socket
import threading

import numpy as np
import pytest
import pyvisa
import serial

from benchtest.errors import InstrumentError
from simulated_instruments.multimeter import MultimeterModel
from simulated_instruments.multimeter_server import serve_pty, serve_tcp


class Leads:
    lead_ohm = 0.15
    dc, ac_rms, ac_frequency_hz, source_ohm = 0.5, 0.0, 0.0, 0.0

    def probe(self):
        return self

    def resistance(self):
        return math.inf


@pytest.fixture
def model():
    return MultimeterModel(Leads(), rng=np.random.default_rng(5))


@pytest.fixture(params=["tcp", "pty"])
def server(request, model):
    with {"tcp": serve_tcp, "pty": serve_pty}[request.param](model) as served:
        yield served


def two_samples_of_two_triggers(text: str) -> bool:
    return text.count(",") == 3


def a_number(text: str) -> bool:
    return math.isfinite(float(text))


# What is sent, and what must come back: nothing, a text, a number within 0.1 %, or what a function accepts.
DIALOGUE = [
    ("*IDN?", lambda text: text.count(",") == 3 and "simulated" in text),
    ("*RST", None), ("*CLS", None), ("*ESE 60", None), ("*ESE?", "60"), ("*SRE 32", None), ("*SRE?", "32"),
    ("*ESR?", "0"), ("*STB?", "0"), ("*OPC", None), ("*OPC?", "1"), ("*WAI", None), ("*TST?", "0"),
    ("MEAS:VOLT:DC?", 0.5), ("measure:voltage:dc? 1, 0.0001", 0.5), ("CONF:VOLT:DC 10", None),
    ("CONF?", '"VOLT +1.00000000E+01,+1.00000000E-05"'),
    ("READ?", 0.5), ("INIT", None), ("FETC?", 0.5), ("ABOR", None), ('FUNC "VOLT:DC"', None), ("FUNC?", '"VOLT"'),
    ("VOLT:DC:RANG 1", None), ("SENS:VOLT:RANG:UPP?", 1.0), ("VOLT:RANG:AUTO 1", None), ("VOLT:RANG:AUTO?", "1"),
    ("VOLT:NPLC 1", None), ("VOLT:NPLC?", 1.0), ("VOLT:APER?", 0.02), ("VOLT:RES?", 3e-6),
    ("DET:BAND 200", None), ("DET:BAND?", 200.0), ("TRIG:SOUR BUS", None), ("TRIG:COUN 2", None),
    ("TRIG:DEL 0.01", None), ("SAMP:COUN 2", None), ("INIT", None), ("*TRG", None), ("*TRG", None),
    ("FETC?", two_samples_of_two_triggers),
    ("SYST:VERS?", "1999.0"), ("NONSENSE", None), ("SYST:ERR?", '-113,"Undefined header"'),
    ("SYST:ERR?", '0,"No error"'), ("STAT:QUES:COND?", "0"), ("STAT:OPER:COND?", "0"),
    ("MEAS:VOLT:AC?", a_number), ("MEAS:CURR:DC?", a_number), ("MEAS:CURR:AC?", a_number), ("MEAS:RES?", a_number),
    ("MEAS:FRES?", a_number), ("MEAS:FREQ?", a_number), ("MEAS:PER?", a_number), ("MEAS:CONT?", a_number),
    ("MEAS:DIOD?", a_number), ("SYST:ERR?", '0,"No error"'),
]  # fmt: skip


def fits(reply: str, expected: object) -> bool:
    if callable(expected):
        return bool(expected(reply))
    if isinstance(expected, float):
        return float(reply) == pytest.approx(expected, rel=1e-3)
    return reply == expected


def test_plain_pyvisa_asks_for_everything(server):
    manager = pyvisa.ResourceManager("@py")
    instrument = manager.open_resource(server.resource, read_termination="\n", write_termination="\n", timeout=2000)
    try:
        for message, expected in DIALOGUE:
            if expected is None:
                instrument.write(message)
            else:
                reply = instrument.query(message)
                assert fits(reply, expected), (message, reply)
    finally:
        instrument.close()


def test_text_over_a_socket(model):
    with serve_tcp(model) as served, socket.create_connection(("127.0.0.1", served.port), timeout=2.0) as client:
        replies = client.makefile("r", newline="\n")
        client.sendall(b"*ID")
        client.sendall(b"N?\r\nMEAS:VOLT:DC?\n\n")  # in pieces, with a carriage return, two at once, a blank line
        assert "simulated" in replies.readline()
        assert float(replies.readline()) == pytest.approx(0.5, rel=1e-3)
        client.sendall(b"\xff\xfe\n" + b"SYST:ERR?\n")
        assert replies.readline() == '-101,"Invalid character"\n'
        client.sendall(b"A" * 10000 + b"\nSYST:ERR?\n")
        assert replies.readline() == '-363,"Input buffer overrun"\n'
        client.sendall(b"SYST:ERR?\n")
        assert replies.readline() == '0,"No error"\n'
        replies.close()


def test_pyserial_over_the_terminal(model):
    with serve_pty(model) as served:
        path = served.resource.removeprefix("ASRL").removesuffix("::INSTR")
        for _ in range(2):  # the terminal survives a client that comes and goes
            with serial.Serial(path, 9600, timeout=2.0) as port:
                port.write(b"MEAS:VOLT:DC?\r\n")
                assert float(port.readline()) == pytest.approx(0.5, rel=1e-3)


def test_it_listens_on_loopback_only(model):
    with serve_tcp(model) as served:
        assert served.resource == f"TCPIP::127.0.0.1::{served.port}::SOCKET"
        with socket.socket() as other, pytest.raises(OSError, match=r"refused|unreachable"):
            other.connect(("127.0.0.2", served.port))  # another address of the same machine


def test_a_port_in_use_is_said_in_one_message(model):
    with (
        serve_tcp(model) as served,
        pytest.raises(InstrumentError, match=r"Address already in use\. Expected a free port"),
    ):
        serve_tcp(model, port=served.port)


def test_two_clients_get_their_own_replies(model):
    with serve_tcp(model) as served:
        wrong: list[str] = []

        def ask(query: str, expected: str) -> None:
            with socket.create_connection(("127.0.0.1", served.port), timeout=5.0) as client:
                replies = client.makefile("r", newline="\n")
                for _ in range(100):
                    client.sendall(query.encode() + b"\n")
                    reply = replies.readline().strip()
                    if reply != expected:
                        wrong.append(reply)
                replies.close()

        threads = [threading.Thread(target=ask, args=a) for a in (("SYST:VERS?", "1999.0"), ("*TST?", "0"))]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(30.0)
        assert wrong == []


def test_closing_frees_the_port_and_ends_the_thread(model):
    server = serve_tcp(model)
    server.close()
    server.close()
    with serve_tcp(model, port=server.port):
        pass
    assert not any(thread.name == "simulated multimeters" for thread in threading.enumerate())
