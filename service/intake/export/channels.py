"""What a unit reports beside power and energy, by the words of a heading and by how large the values are."""

from __future__ import annotations

import re
from dataclasses import dataclass

_END = r"(?![^\W\d_])"
_BEGIN = r"(?<![^\W\d_])"
_VOLT = re.compile(
    rf"volt|spannung|tensi[oó]n|tension|tensione|spanning|tens[aã]o|napi|{_BEGIN}[uv](_?[ad]c)?{_END}", re.I
)
_DC = re.compile(rf"dc|{_BEGIN}(pv|module?|panel|string|input|eingang|modulo|entr[ée]e){_END}|gleich", re.I)
_AC = re.compile(
    rf"ac{_END}|{_BEGIN}(grid|line|mains|netz|output|ausgang|r[ée]seau|red|rete|net){_END}|wechsel", re.I
)
_FREQUENCY = re.compile(rf"freq|fr[ée]quence|{_BEGIN}hz{_END}", re.I)
_TEMPERATURE = re.compile(rf"temp|{_BEGIN}°\s?[cf]{_END}|celsius|fahrenheit", re.I)
_FAHRENHEIT = re.compile(rf"°\s?f{_END}|fahrenheit", re.I)
_SIGNAL = re.compile(r"signal|rssi|empfang|link quality", re.I)
_AMBIENT = re.compile(r"ambient|outdoor|umgebung|außen|aussen|air", re.I)
_OTHER_SCALE = re.compile(rf"{_BEGIN}(mv|kv|khz|mhz|dbm?|k){_END}", re.I)

LARGEST_DC_V, SMALLEST_AC_V, LARGEST_AC_V = 80.0, 90.0, 300.0
"""A module's voltage stays below the one, mains between the others; common practice, no source."""


@dataclass(frozen=True)
class Channel:
    """One of the contract's channels, with what makes its unit of measure of the file's."""

    name: str
    factor: float = 1.0
    shift: float = 0.0


def channel_of(heading: str, usual: float) -> Channel | None:
    """Return the channel of a column by its heading without serials and its usual value, None if it is none of them."""
    if _OTHER_SCALE.search(heading):
        return None
    if _FREQUENCY.search(heading):
        return Channel("frequency_hz") if 40 < usual < 70 else None
    if _TEMPERATURE.search(heading) and not _AMBIENT.search(heading):
        return (
            Channel("temperature_c", 1 / 1.8, -32 / 1.8)
            if _FAHRENHEIT.search(heading)
            else Channel("temperature_c")
        )
    if _SIGNAL.search(heading):
        return Channel("signal_pct") if 0 <= usual <= 100 else None
    if _VOLT.search(heading):
        return _voltage(heading, usual)
    return None


def _voltage(heading: str, usual: float) -> Channel | None:
    dc, ac = bool(_DC.search(heading)), bool(_AC.search(heading))
    if dc != ac:
        return Channel("dc_voltage_v" if dc else "ac_voltage_v")
    if 0 < usual <= LARGEST_DC_V:
        return Channel("dc_voltage_v")
    return Channel("ac_voltage_v") if SMALLEST_AC_V <= usual <= LARGEST_AC_V else None
