"""Which command does what on the simulated multimeter: the tree that every model shares.

One small function per command; patterns as in SCPI-1999 (a multimeter's part of it) and IEEE 488.2.
"""

from __future__ import annotations

from collections.abc import Callable

from simulated_instruments.multimeter import RESOLUTION, SCPI_FUNCTIONS, MultimeterModel, number_text, ranges_of
from simulated_instruments.scpi_parser import (
    CommandTree,
    Handler,
    Parameter,
    ScpiError,
    boolean,
    is_keyword,
    number,
    string,
    take,
    word,
)
from simulated_instruments.scpi_status import EventRegister

PATTERNS = {
    "VOLT": "VOLTage[:DC]",
    "VOLT:AC": "VOLTage:AC",
    "CURR": "CURRent[:DC]",
    "CURR:AC": "CURRent:AC",
    "RES": "RESistance",
    "FRES": "FRESistance",
    "FREQ": "FREQuency",
    "PER": "PERiod",
    "CONT": "CONTinuity",
    "DIOD": "DIODe",
}
_ABSENT = ("TEMPerature", "CAPacitance")  # known to the standard, not built into this meter

_PREFIXES = {"U": 1e-6, "M": 1e-3, "": 1.0, "K": 1e3}
_VOLTS = {f"{prefix}V": factor for prefix, factor in _PREFIXES.items()}
_AMPERES = {f"{prefix}A": factor for prefix, factor in _PREFIXES.items()}
_OHMS = {"OHM": 1.0, "KOHM": 1e3, "MOHM": 1e6}  # SCPI: M before OHM is mega
_SECONDS = {"US": 1e-6, "MS": 1e-3, "S": 1.0}
_HERTZ = {"HZ": 1.0, "KHZ": 1e3, "MHZ": 1e6}
_UNITS = {"VOLT": _VOLTS, "CURR": _AMPERES, "FREQ": _HERTZ, "PER": _SECONDS}

_INTEGRATING = ("VOLT", "CURR", "RES", "FRES")
_RANGING = ("VOLT", "VOLT:AC", "CURR", "CURR:AC", "RES", "FRES")


def _build() -> CommandTree:
    tree = CommandTree()
    for patterns in (_common(), _measuring(), _sensing(), _triggering(), _system(), _status()):
        for pattern, handler in patterns.items():
            tree.add(pattern, handler)
    return tree


def _plain(act: Callable[[MultimeterModel], str | None]) -> Handler:
    """A command without parameters."""

    def handler(meter: MultimeterModel, parameters: list[Parameter]) -> str | None:
        take(parameters, 0, 0)
        return act(meter)

    return handler


def _setting(
    read: Callable[[MultimeterModel], float],
    write: Callable[[MultimeterModel, float], None],
    *,
    low: float,
    high: float,
    default: float,
    units: dict[str, float] | None = None,
    show: Callable[[float], str] = number_text,
) -> tuple[Handler, Handler]:
    """A numeric setting and its query; both take MIN, MAX and DEF."""

    def write_it(meter: MultimeterModel, parameters: list[Parameter]) -> None:
        (wanted,) = take(parameters, 1, 1)
        assert wanted is not None
        write(meter, number(wanted, low=low, high=high, default=default, units=units))

    def read_it(meter: MultimeterModel, parameters: list[Parameter]) -> str:
        (which,) = take(parameters, 0, 1)
        if which is None:
            return show(read(meter))
        if which.kind != "word":
            raise ScpiError(-128 if which.kind == "number" else -158)
        return show(number(which, low=low, high=high, default=default))

    return write_it, read_it


def _integer(value: float) -> str:
    return f"{round(value)}"


def _switch(name: str) -> tuple[Handler, Handler]:
    """A setting that is on or off, kept in the model's attribute of that name."""

    def write_it(meter: MultimeterModel, parameters: list[Parameter]) -> None:
        (wanted,) = take(parameters, 1, 1)
        assert wanted is not None
        setattr(meter, name, boolean(wanted))

    return write_it, _plain(lambda meter: str(int(getattr(meter, name))))


def _common() -> dict[str, Handler]:
    def mask(name: str) -> tuple[Handler, Handler]:
        def write(meter: MultimeterModel, value: float) -> None:
            setattr(meter.status, name, round(value) & (0xBF if name == "service_enable" else 0xFF))

        return _setting(lambda meter: getattr(meter.status, name), write, low=0, high=255, default=0, show=_integer)

    (set_events, events), (set_service, service) = mask("event_enable"), mask("service_enable")

    def complete(meter: MultimeterModel) -> str:
        if meter.waiting:
            raise ScpiError(-214)  # it would wait for a trigger that cannot arrive behind it
        return "1"

    def hold(meter: MultimeterModel) -> None:
        complete(meter)

    return {
        "*IDN?": _plain(lambda meter: meter.identity),
        "*RST": _plain(MultimeterModel.reset),
        "*CLS": _plain(lambda meter: meter.status.clear()),
        "*ESE": set_events,
        "*ESE?": events,
        "*ESR?": _plain(lambda meter: str(meter.status.read_event_status())),
        "*SRE": set_service,
        "*SRE?": service,
        "*STB?": _plain(lambda meter: str(meter.status.status_byte(message_available=meter.message_available))),
        "*OPC": _plain(MultimeterModel.operation_complete),
        "*OPC?": _plain(complete),
        "*WAI": _plain(hold),
        "*TST?": _plain(lambda meter: "0"),
        "*TRG": _plain(MultimeterModel.bus_trigger),
    }


def _scale(name: str, parameter: Parameter | None) -> float | None:
    """The range that a parameter asks for: the smallest that holds the value; None is autorange."""
    if parameter is None or (parameter.kind == "word" and is_keyword(parameter.text, "DEFault")):
        return None
    if parameter.kind == "word" and is_keyword(parameter.text, "AUTO"):
        return None
    scales = ranges_of(name)
    units = _UNITS.get(name.split(":")[0], _OHMS)
    wanted = number(parameter, low=0.0, high=scales[-1], default=scales[-1], units=units)
    if name in ("FREQ", "PER"):
        return None  # the expected value; the voltage range stays automatic
    return next(scale for scale in scales if scale >= wanted)


def _measuring() -> dict[str, Handler]:
    def configure(name: str) -> Handler:
        def handler(meter: MultimeterModel, parameters: list[Parameter]) -> None:
            if name in ("CONT", "DIOD"):
                take(parameters, 0, 0)
                meter.configure(name, None, None)
                return
            wanted, resolution = take(parameters, 0, 2)
            scale = _scale(name, wanted)
            fineness = None
            if resolution is not None and not (resolution.kind == "word" and is_keyword(resolution.text, "DEFault")):
                full = scale or meter.settings[name].last_range
                low, high = min(RESOLUTION.values()) * full, max(RESOLUTION.values()) * full
                units = _UNITS.get(name.split(":")[0], _OHMS)
                fineness = number(resolution, low=low * (1 - 1e-9), high=1e9, default=1e-6 * full, units=units)
                fineness = min(fineness, high) if resolution.kind == "word" else fineness
            meter.configure(name, scale, fineness)

        return handler

    def measure(name: str) -> Handler:
        prepare = configure(name)

        def handler(meter: MultimeterModel, parameters: list[Parameter]) -> str:
            prepare(meter, parameters)
            return meter.read()

        return handler

    def absent(meter: MultimeterModel, parameters: list[Parameter]) -> None:
        raise ScpiError(-241)

    def configuration(meter: MultimeterModel) -> str:
        settings = meter.settings[meter.function]
        full = settings.range or settings.last_range
        resolution = RESOLUTION[settings.line_cycles] * full
        return f'"{meter.function} {number_text(full)},{number_text(resolution)}"'

    handlers: dict[str, Handler] = {
        "CONFigure?": _plain(configuration),
        "READ?": _plain(MultimeterModel.read),
        "INITiate[:IMMediate]": _plain(MultimeterModel.initiate),
        "FETCh?": _plain(MultimeterModel.fetch),
        "ABORt": _plain(MultimeterModel.abort),
    }
    for name, pattern in PATTERNS.items():
        handlers[f"CONFigure:{pattern}"] = configure(name)
        handlers[f"MEASure:{pattern}?"] = measure(name)
    for pattern in _ABSENT:
        handlers[f"CONFigure:{pattern}"] = handlers[f"MEASure:{pattern}?"] = absent
    return handlers


def _sensing() -> dict[str, Handler]:
    names = {_plain_name(pattern): name for name, pattern in PATTERNS.items()}
    names |= {"VOLT:DC": "VOLT", "CURR:DC": "CURR", "VOLTAGE:DC": "VOLT", "CURRENT:DC": "CURR"}
    names |= {_long_name(pattern): name for name, pattern in PATTERNS.items()}

    def select(meter: MultimeterModel, parameters: list[Parameter]) -> None:
        (wanted,) = take(parameters, 1, 1)
        assert wanted is not None
        name = string(wanted).strip().upper().removeprefix("SENS:").removeprefix("SENSE:")
        if any(is_keyword(name, absent) for absent in _ABSENT):
            raise ScpiError(-241)
        if name not in names:
            raise ScpiError(-224)
        meter.abort()
        meter.function = names[name]

    handlers: dict[str, Handler] = {
        "[SENSe:]FUNCtion[:ON]": select,
        "[SENSe:]FUNCtion[:ON]?": _plain(lambda meter: f'"{meter.function}"'),
    }
    for name in _RANGING:
        handlers |= _range_commands(name)
    for name in _INTEGRATING:
        handlers |= _integration_commands(name)

    def to_filter(meter: MultimeterModel, value: float) -> None:
        meter.ac_filter = max(corner for corner in (3, 20, 200) if corner <= value)

    write, read = _setting(
        lambda meter: meter.ac_filter, to_filter, low=3, high=200, default=20, units=_HERTZ, show=number_text
    )
    for pattern in ("DETector:BANDwidth", "VOLTage:AC:BANDwidth", "CURRent:AC:BANDwidth"):
        handlers[f"[SENSe:]{pattern}"], handlers[f"[SENSe:]{pattern}?"] = write, read

    def to_gate(meter: MultimeterModel, value: float) -> None:
        meter.gate_s = min((0.01, 0.1, 1.0), key=lambda gate: abs(gate - value))

    write, read = _setting(lambda meter: meter.gate_s, to_gate, low=0.01, high=1.0, default=0.1, units=_SECONDS)
    for pattern in ("FREQuency:APERture", "PERiod:APERture"):
        handlers[f"[SENSe:]{pattern}"], handlers[f"[SENSe:]{pattern}?"] = write, read
    handlers["[SENSe:]ZERO:AUTO"], handlers["[SENSe:]ZERO:AUTO?"] = _switch("auto_zero")
    handlers["INPut:IMPedance:AUTO"], handlers["INPut:IMPedance:AUTO?"] = _switch("high_impedance")
    return handlers


def _plain_name(pattern: str) -> str:
    """ "VOLTage[:DC]" -> "VOLT"."""
    return "".join(letter for letter in pattern.split("[")[0] if not letter.islower())


def _long_name(pattern: str) -> str:
    """ "VOLTage[:DC]" -> "VOLTAGE"."""
    return pattern.split("[")[0].upper()


def _range_commands(name: str) -> dict[str, Handler]:
    scales = ranges_of(name)
    units = _UNITS.get(name.split(":")[0], _OHMS)

    def to_range(meter: MultimeterModel, value: float) -> None:
        scale = next(scale for scale in scales if scale >= value)
        meter.settings[name].range = meter.settings[name].last_range = scale

    def shown(value: float) -> str:
        return number_text(next(scale for scale in scales if scale >= value))

    write, read = _setting(
        lambda meter: meter.settings[name].range or meter.settings[name].last_range,
        to_range,
        low=0.0,
        high=scales[-1],
        default=scales[-1],
        units=units,
        show=shown,
    )

    def automatic(meter: MultimeterModel, parameters: list[Parameter]) -> None:
        (wanted,) = take(parameters, 1, 1)
        assert wanted is not None
        settings = meter.settings[name]
        if wanted.kind == "word" and is_keyword(wanted.text, "ONCE"):
            settings.range = None
            if meter.function == name:
                meter.readings = []
                meter.read()
                meter.readings = []
            settings.range = settings.last_range
        else:
            settings.range = None if boolean(wanted) else settings.last_range

    base = f"[SENSe:]{PATTERNS[name]}:RANGe"
    return {
        f"{base}[:UPPer]": write,
        f"{base}[:UPPer]?": read,
        f"{base}:AUTO": automatic,
        f"{base}:AUTO?": _plain(lambda meter: str(int(meter.settings[name].range is None))),
    }


def _integration_commands(name: str) -> dict[str, Handler]:
    cycles = sorted(RESOLUTION)
    units = _UNITS.get(name.split(":")[0], _OHMS)

    def to_cycles(meter: MultimeterModel, value: float) -> None:
        meter.settings[name].line_cycles = next((step for step in cycles if step >= value * (1 - 1e-9)), cycles[-1])

    def full_scale(meter: MultimeterModel) -> float:
        return meter.settings[name].range or meter.settings[name].last_range

    set_cycles, get_cycles = _setting(
        lambda meter: meter.settings[name].line_cycles, to_cycles, low=cycles[0], high=cycles[-1], default=10.0
    )

    def set_aperture(meter: MultimeterModel, parameters: list[Parameter]) -> None:
        (wanted,) = take(parameters, 1, 1)
        assert wanted is not None
        mains = meter.front_end.line_frequency
        low, high = cycles[0] / mains, cycles[-1] / mains
        to_cycles(meter, number(wanted, low=low, high=high, default=10.0 / mains, units=_SECONDS) * mains)

    def get_aperture(meter: MultimeterModel, parameters: list[Parameter]) -> str:
        mains = meter.front_end.line_frequency
        return number_text(float(get_cycles(meter, parameters) or 0.0) / mains)

    def set_resolution(meter: MultimeterModel, parameters: list[Parameter]) -> None:
        (wanted,) = take(parameters, 1, 1)
        assert wanted is not None
        full = full_scale(meter)
        low, high = min(RESOLUTION.values()) * full, max(RESOLUTION.values()) * full
        value = number(wanted, low=low * (1 - 1e-9), high=high * (1 + 1e-9), default=1e-6 * full, units=units)
        meter.settings[name].line_cycles = min(
            step for step, share in RESOLUTION.items() if share * full <= value * (1 + 1e-6)
        )

    def get_resolution(meter: MultimeterModel, parameters: list[Parameter]) -> str:
        (which,) = take(parameters, 0, 1)
        full = full_scale(meter)
        if which is None:
            return number_text(RESOLUTION[meter.settings[name].line_cycles] * full)
        shares = sorted(RESOLUTION.values())
        share = {"MIN": shares[0], "MAX": shares[-1], "DEF": 1e-6}[word(which, "MINimum", "MAXimum", "DEFault")]
        return number_text(share * full)

    base = f"[SENSe:]{PATTERNS[name]}"
    return {
        f"{base}:NPLCycles": set_cycles,
        f"{base}:NPLCycles?": get_cycles,
        f"{base}:APERture": set_aperture,
        f"{base}:APERture?": get_aperture,
        f"{base}:RESolution": set_resolution,
        f"{base}:RESolution?": get_resolution,
    }


def _triggering() -> dict[str, Handler]:
    def set_source(meter: MultimeterModel, parameters: list[Parameter]) -> None:
        (wanted,) = take(parameters, 1, 1)
        assert wanted is not None
        meter.trigger.source = word(wanted, "IMMediate", "BUS", "EXTernal")

    def to(name: str) -> Callable[[MultimeterModel, float], None]:
        return lambda meter, value: setattr(meter.trigger, name, round(value))

    def to_delay(meter: MultimeterModel, value: float) -> None:
        meter.trigger.delay_s = value

    def delay_auto(meter: MultimeterModel, parameters: list[Parameter]) -> None:
        (wanted,) = take(parameters, 1, 1)
        assert wanted is not None
        meter.trigger.delay_s = None if boolean(wanted) else meter.trigger.delay_s or 0.0

    counts = {"low": 1, "high": 50000, "default": 1}
    triggers = _setting(lambda meter: meter.trigger.triggers, to("triggers"), **counts, show=number_text)  # type: ignore[arg-type]
    samples = _setting(lambda meter: meter.trigger.samples, to("samples"), **counts, show=number_text)  # type: ignore[arg-type]
    delay = _setting(
        lambda meter: 0.0015 if meter.trigger.delay_s is None else meter.trigger.delay_s,
        to_delay,
        low=0.0,
        high=3600.0,
        default=0.0015,
        units=_SECONDS,
    )
    return {
        "TRIGger[:SEQuence]:SOURce": set_source,
        "TRIGger[:SEQuence]:SOURce?": _plain(lambda meter: meter.trigger.source),
        "TRIGger[:SEQuence]:COUNt": triggers[0],
        "TRIGger[:SEQuence]:COUNt?": triggers[1],
        "TRIGger[:SEQuence]:DELay": delay[0],
        "TRIGger[:SEQuence]:DELay?": delay[1],
        "TRIGger[:SEQuence]:DELay:AUTO": delay_auto,
        "TRIGger[:SEQuence]:DELay:AUTO?": _plain(lambda meter: str(int(meter.trigger.delay_s is None))),
        "SAMPle:COUNt": samples[0],
        "SAMPle:COUNt?": samples[1],
    }


def _system() -> dict[str, Handler]:
    def everything(meter: MultimeterModel) -> str:
        found = [meter.status.next_error()]
        while meter.status.errors:
            found.append(meter.status.next_error())
        return ",".join(found)

    def show_text(meter: MultimeterModel, parameters: list[Parameter]) -> None:
        (wanted,) = take(parameters, 1, 1)
        assert wanted is not None
        meter.display_text = string(wanted)

    def clear_text(meter: MultimeterModel) -> None:
        meter.display_text = ""

    def protected(meter: MultimeterModel) -> str:
        raise ScpiError(-203)

    def nothing(meter: MultimeterModel) -> None:
        """Taken and without effect: there is no front panel to lock and no beeper."""

    display, displayed = _switch("display_on")
    handlers: dict[str, Handler] = {
        "SYSTem:ERRor[:NEXT]?": _plain(lambda meter: meter.status.next_error()),
        "SYSTem:ERRor:COUNt?": _plain(lambda meter: str(len(meter.status.errors))),
        "SYSTem:ERRor:ALL?": _plain(everything),
        "SYSTem:VERSion?": _plain(lambda meter: "1999.0"),
        "ROUTe:TERMinals?": _plain(lambda meter: "FRON"),
        "DISPlay[:WINDow][:STATe]": display,
        "DISPlay[:WINDow][:STATe]?": displayed,
        "DISPlay[:WINDow]:TEXT[:DATA]": show_text,
        "DISPlay[:WINDow]:TEXT[:DATA]?": _plain(lambda meter: f'"{meter.display_text}"'),
        "DISPlay[:WINDow]:TEXT:CLEar": _plain(clear_text),
        "CALibration[:ALL]?": _plain(protected),
    }
    for pattern in ("SYSTem:BEEPer[:IMMediate]", "SYSTem:REMote", "SYSTem:LOCal", "SYSTem:RWLock"):
        handlers[pattern] = _plain(nothing)
    return handlers


def _status() -> dict[str, Handler]:
    def register(name: str) -> dict[str, Handler]:
        def of(meter: MultimeterModel) -> EventRegister:
            found: EventRegister = getattr(meter.status, name)
            return found

        def enable(meter: MultimeterModel, value: float) -> None:
            of(meter).enable = round(value) & 0x7FFF

        write, read = _setting(lambda meter: of(meter).enable, enable, low=0, high=65535, default=0, show=_integer)
        base = f"STATus:{'QUEStionable' if name == 'questionable' else 'OPERation'}"
        return {
            f"{base}[:EVENt]?": _plain(lambda meter: str(of(meter).read_event())),
            f"{base}:CONDition?": _plain(lambda meter: str(of(meter).condition)),
            f"{base}:ENABle": write,
            f"{base}:ENABle?": read,
        }

    def preset(meter: MultimeterModel) -> None:
        meter.status.questionable.enable = meter.status.operation.enable = 0

    return {**register("questionable"), **register("operation"), "STATus:PRESet": _plain(preset)}


assert set(PATTERNS) == set(SCPI_FUNCTIONS)
TREE = _build()
