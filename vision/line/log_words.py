"""What a soldering line logs: the quantities that the project knows by name, declared once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

#: number: a value; check: 1 passed, 0 failed; event: something happened; label: a word, such as a batch number.
LogKind = Literal["number", "check", "event", "label"]


@dataclass(frozen=True)
class Quantity:
    """One logged or derived quantity. `title` is what a sentence calls it."""

    name: str
    kind: LogKind
    unit: str
    title: str
    text: str
    decimals: int = 1
    derived: bool = False


QUANTITIES: tuple[Quantity, ...] = (
    Quantity("flux_drops", "number", "", "flux drops", "flux drops counted in one step on one board", 0),
    Quantity("flux_drops_reference", "number", "", "reference drops", "flux drops that the step should give", 0),
    Quantity("flux_direction_ok", "check", "", "flux direction check", "the jet sprays straight: 1 yes, 0 no", 2),
    Quantity("preheat_end_c", "number", "°C", "preheat end temperature", "top-side temperature at the end of preheat"),
    Quantity("preheat_gradient_k_s", "number", "K/s", "preheat gradient", "steepest rise of that temperature", 2),
    Quantity("pot_temperature_c", "number", "°C", "pot temperature", "solder temperature in the pot"),
    Quantity("nozzle_cleaned", "event", "", "nozzle cleaning", "a nozzle was cleaned"),
    Quantity("brush_passes", "number", "", "brush passes", "passes of the brush at one cleaning", 1),
    Quantity("solder_time_s", "number", "s", "solder time", "contact time of solder in one step", 2),
    Quantity("oxygen_ppm", "number", "ppm", "oxygen", "rest of oxygen at the nozzle", 0),
    Quantity("board_batch", "label", "", "board batch", "batch of the bare board"),
    Quantity("flux_batch", "label", "", "flux batch", "batch of the flux in use"),
    Quantity("solder_batch", "label", "", "solder batch", "batch of the solder last filled in"),
    Quantity("flux_drops_missing", "number", "", "missing flux drops", "reference drops less counted drops", 0, True),
    Quantity("minutes_since_cleaning", "number", "min", "time since the nozzle was cleaned",
             "minutes since the last cleaning of the nozzle", 0, True),
    Quantity("minutes_since_pause", "number", "min", "time since the last pause",
             "minutes since the last stop of the line of ten minutes or more", 0, True),
)
QUANTITY: dict[str, Quantity] = {quantity.name: quantity for quantity in QUANTITIES}

#: Quantities under which older programs kept their alarms and the answers in the process log; no log may use them.
OWN_QUANTITIES: tuple[str, ...] = ("drift_alarm", "drift_alarm_answer")
YES, NO = ("1", "1.0", "yes", "true", "ok", "pass"), ("0", "0.0", "no", "false", "nok", "fail")


def kind_of(name: str) -> LogKind | None:
    """Return a quantity's kind, or None for a name that the project does not know."""
    return QUANTITY[name].kind if name in QUANTITY else None


def titled(name: str) -> str:
    """Return what a sentence calls a quantity; unknown names in words."""
    return QUANTITY[name].title if name in QUANTITY else name.replace("_", " ")


def spoken(name: str, value: float, signed: bool = False) -> str:
    """Return a value with its unit: `112.4 °C`; with `signed` a difference: `-13.9 K`."""
    known = QUANTITY.get(name)
    decimals = known.decimals if known else 2
    unit = known.unit if known else ""
    if signed and unit == "°C":
        unit = "K"
    return f"{number_text(value, decimals, signed)} {unit}".strip()


def number_text(value: float, decimals: int, signed: bool = False) -> str:
    """Return a number with a true minus sign, and never a negative zero."""
    whole = round(value, decimals) + 0.0
    return (f"{whole:+.{decimals}f}" if signed else f"{whole:.{decimals}f}").replace("-", "−")
