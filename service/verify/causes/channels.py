"""What the further channels say about a cause that the energies have named: voltages, signal, the unit's other input.

They sharpen a finding and never make one: without them every cause is found all the same. No cause is detected here.
Which side of a unit is at fault follows from what is live: a DC voltage without output acquits the DC plugs, a dead
DC side beside live neighbours accuses them (circuit logic, no source needed).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from service.verify.case import BoolArray, Case
from service.verify.causes.wording import number
from service.verify.inputs import FloatArray
from service.verify.result import Finding
from service.verify.sentence import Quantity, Sentence, joined, sentence

Side = Literal["dc", "ac", "not_dc", "unit"]

ABSENT, PRESENT = 0.2, 0.7
"""Shares of like units' DC voltage below which there is none, and above which it is there (our choice, no source)."""

NO_MAINS_V = 50.0
"""Below it no public supply runs (100 V and up); also the bound of extra-low AC voltage (IEC 61140, from memory)."""

VOLTAGE_NEARNESS = 0.05
"""How close the DC voltage must come to a substring's level: cell temperatures of neighbours differ by some 10 degC
(0.3 % a degree) and small inverters read to 1-2 % (both from memory)."""

UNCHANGED = 0.92
"""Share of like units' DC voltage from which no substring is missing. Less light alone moves it less: at a third of
the light the maximum power point is at 0.94 to 1.03 of the full light's voltage (single-diode model over 476 modules
of the CEC library in pvlib)."""

NO_DC_V = 1.0
"""Median DC voltage of like units below which there is nothing to compare with."""

HIGHEST_TENTH = 0.9
LOW_SIGNAL_PCT = 30.0
"""A low signal sends one to the gateway first, a good one to the connectors (common practice, no source)."""

TOGETHER, APART = 0.9, 0.1
"""Shares of a silence in which the inputs of one unit are silent together, or one of them alone."""

ADVICE: dict[Side, Sentence] = {
    "dc": sentence(
        "DC plugs first, isolated and secured against falling: pushed home until they lock? Then the module and its "
        "leads; the AC side is not the first suspect."
    ),
    "ac": sentence(
        "The AC side first, isolated and secured against falling: the unit's AC connector and the one before it on the "
        "trunk, then the branch's breaker; work on mains is for a licensed electrician."
    ),
    "not_dc": sentence(
        "Leave the DC plugs for last: the AC connector first, isolated and secured against falling, then the unit "
        "itself."
    ),
    "unit": sentence(
        "Both sides are live: read the unit's own status and grid settings first, then change the unit, isolated and "
        "secured against falling."
    ),
}


@dataclass(frozen=True)
class Hint:
    """What a channel adds: a sentence, and what changes by it (None: nothing). `sureness` multiplies the odds."""

    evidence: Sentence
    advice: Sentence | None = None
    sureness: float = 1.0
    cause: str | None = None
    side: Side | None = None


def sharpened(finding: Finding, hints: Iterable[Hint]) -> Finding:
    """Return the finding with the hints in it; of several pieces of advice the first counts."""
    for hint in reversed(list(hints)):
        finding = replace(
            finding,
            cause=hint.cause or finding.cause,
            confidence=_with_odds(finding.confidence, hint.sureness),
            evidence=joined(finding.evidence, " ", hint.evidence),
            advice=hint.advice or finding.advice,
            details={**finding.details, "side": hint.side} if hint.side else finding.details,
        )
    return finding


def _with_odds(confidence: float, factor: float) -> float:
    """Return the confidence with its odds multiplied, at most 0.99 unless it was above."""
    if factor == 1.0 or confidence >= 1.0:
        return confidence
    odds = factor * confidence / (1 - confidence)
    return round(min(odds / (1 + odds), max(confidence, 0.99)), 2)


def of_silence(case: Case, i: int, where: BoolArray) -> list[Hint]:
    """Return what unit `i`'s voltages and its other inputs say about its giving nothing in `where` (D,)."""
    return [h for h in (_of_voltages(case, i, where), _of_inputs(case, i, where)) if h]


def _of_voltages(case: Case, i: int, where: BoolArray) -> Hint | None:
    mains_v = _middle(_channel(case, "ac_voltage_v", i, where))
    if mains_v is not None and mains_v < NO_MAINS_V:
        return Hint(
            sentence("Meanwhile its AC voltage is %(volts)s V.", volts=mains_v), ADVICE["ac"], side="ac"
        )
    volts = _against_alike(case, i, where)
    if volts is None:
        return None
    own_v, usual_v = volts
    said = sentence(
        "Meanwhile its DC voltage is %(own)s V, that of units like it %(usual)s V.", own=own_v, usual=usual_v
    )
    if own_v < ABSENT * usual_v:
        return Hint(said, ADVICE["dc"], side="dc")
    if own_v < PRESENT * usual_v:
        return Hint(said)
    if mains_v is None:
        return Hint(said, ADVICE["not_dc"], side="not_dc")
    both = sentence(
        "Meanwhile its DC voltage is %(own)s V, that of units like it %(usual)s V, and its AC voltage %(mains)s V.",
        own=own_v,
        usual=usual_v,
        mains=mains_v,
    )
    return Hint(both, ADVICE["unit"], side="unit")


def _of_inputs(case: Case, i: int, where: BoolArray) -> Hint | None:
    """Return what the other inputs of the same inverter, metered apart, did meanwhile."""
    device = _device(case.serials[i])
    beside = [k for k, s in enumerate(case.serials) if k != i and device and _device(s) == device]
    seen = where & np.any(case.heard[beside] & case.light[beside], axis=0)
    if not beside or not seen.any():
        return None
    gave = np.any(case.heard[beside] & case.light[beside] & ~case.giving_nothing[beside], axis=0)
    silent = 1 - float((gave & seen).sum() / seen.sum())
    if silent >= TOGETHER:
        return Hint(sentence("The unit's other input is silent with it."), ADVICE["ac"], side="ac")
    if silent <= APART:
        return Hint(sentence("The unit's other input gives its energy meanwhile."), ADVICE["dc"], side="dc")
    return None


def of_branch(case: Case, rows: Iterable[int], where: BoolArray) -> list[Hint]:
    """Return what the AC voltage at the units `rows` of one branch says about their giving nothing in `where` (D,)."""
    values = [_channel(case, "ac_voltage_v", i, where) for i in rows]
    mains_v = _middle(np.concatenate(values)) if values else None
    if mains_v is None:
        return []
    said = sentence("Meanwhile the AC voltage at them is %(volts)s V.", volts=mains_v)
    return [Hint(said, side="ac") if mains_v < NO_MAINS_V else Hint(said, LIVE_BRANCH, side="unit")]


LIVE_BRANCH = sentence(
    "The branch is live, so look at why its units stay off before its breaker: their grid settings, frequency and "
    "waiting time, an order to stop; work on mains is for a licensed electrician."
)


def _device(serial: str) -> str:
    """Return the serial of the inverter that an input belongs to, empty for a unit that is no input."""
    head, _, tail = serial.rpartition("/")
    return head if tail.isdecimal() else ""


def of_substring(case: Case, i: int, where: BoolArray, *, low: float, high: float) -> list[Hint]:
    """Return what the DC voltage says about lost substrings that leave `low` to `high` of the power in `where` (D,).

    A bypassed substring takes its voltage with it and leaves the current, so voltage and power fall by one share.
    An unchanged voltage acquits the substrings of a unit with one module; how more modules are joined is not known.
    """
    volts = _against_alike(case, i, where)
    if volts is None or volts[1] < NO_DC_V:
        return []
    ratio = volts[0] / volts[1]
    said = {"ratio": number(ratio, 2), "own": number(volts[0]), "usual": number(volts[1])}
    if low - VOLTAGE_NEARNESS <= ratio <= high + VOLTAGE_NEARNESS:
        text = sentence(
            "Its DC voltage is %(ratio)s of like units' (%(own)s of %(usual)s V), down by the same share.",
            **said,
        )
        return [Hint(text, sureness=3.0)]
    if ratio < UNCHANGED or case.day.site.units[i].module_count > 1:
        return [
            Hint(sentence("Its DC voltage is %(ratio)s of like units' (%(own)s of %(usual)s V).", **said))
        ]
    return [Hint(_unchanged(said), LOWERS_CURRENT, sureness=0.3, cause="low_output")]


def _unchanged(said: dict[str, Quantity]) -> Sentence:
    return sentence(
        "But its DC voltage is %(ratio)s of like units' (%(own)s of %(usual)s V): no substring is missing.",
        **said,
    )


LOWERS_CURRENT = sentence(
    "Look for what takes current and leaves the voltage: dirt, leaves or film over the whole module, then a "
    "wrong type or a limit set on the unit; from a safe stand first."
)


def of_trips(case: Case, rows: list[int], dips: BoolArray) -> list[Hint]:
    """Return what the AC voltage was just before the drop-outs `dips` (D,), at the unit where it was highest.

    Limits and waiting times are the local grid code's (EN 50549-1: 10-minute mean of 1.10 Un by default, from
    memory), so that the voltage is held against its own day and not against a number.
    """
    starts = np.flatnonzero(dips & ~np.concatenate(([False], dips[:-1])))
    lit = np.asarray(case.light.any(axis=0) & ~dips)
    found = [(before, i) for i in rows if (before := _before(case, i, starts)) is not None]
    if not found:
        return []
    before_v, i = max(found)
    on = _finite(_channel(case, "ac_voltage_v", i, lit))
    if not len(on):
        return []
    usual_v, high_v = float(np.median(on)), float(np.quantile(on, HIGHEST_TENTH))
    said = sentence(
        "Just before, the AC voltage was %(before)s V at %(serial)s, usually %(usual)s V there",
        before=before_v,
        serial=case.serials[i],
        usual=usual_v,
    )
    if before_v >= high_v:
        return [Hint(joined(said, sentence(": near its highest.")), sureness=3.0)]
    is_low = before_v <= usual_v
    return [Hint(joined(said, sentence(": not high.")), sureness=0.4) if is_low else Hint(joined(said, "."))]


def _before(case: Case, i: int, starts: NDArray[np.intp]) -> float | None:
    """Return the median over drop-outs of the voltage in the interval before each or its first, the higher one."""
    row = _channel(case, "ac_voltage_v", i, None)
    pairs = np.stack([row[np.maximum(starts - 1, 0)], row[starts]])
    known = np.isfinite(pairs).any(axis=0)
    return float(np.median(np.nanmax(pairs[:, known], axis=0))) if known.any() else None


def of_missing(case: Case, i: int) -> list[Hint]:
    """Return what the signal says about a unit that is not heard; where it sent none, what the others' signal says."""
    sent = case.readings.channels.get("signal_pct")
    if sent is None:
        return []
    own, others = _middle(sent[i]), _middle(np.delete(sent, i, axis=0))
    if own is None and others is not None and others < LOW_SIGNAL_PCT:
        return [
            Hint(
                sentence("The signal of those that are heard is %(signal)s %% only.", signal=others), GATEWAY
            )
        ]
    if own is None:
        return []
    if own < LOW_SIGNAL_PCT:
        return [Hint(sentence("Its signal was %(signal)s %% only.", signal=own), GATEWAY)]
    return [Hint(sentence("Its signal was good, %(signal)s %%.", signal=own))]


GATEWAY = sentence(
    "Look at the path to the gateway first: its distance, metal between, interference on the line; "
    "nothing on the roof need be opened for that."
)


def _channel(case: Case, name: str, i: int, where: BoolArray | None) -> FloatArray:
    """Return unit `i`'s values in daylight, those in `where` if given; NaN where never sent."""
    sent = case.readings.channels.get(name)
    row = np.full(len(case.day.positions), np.nan) if sent is None else sent[i, case.day.positions]
    return np.asarray(row if where is None else row[where])


def _finite(values: FloatArray) -> FloatArray:
    return np.asarray(values[np.isfinite(values)])


def _middle(values: FloatArray) -> float | None:
    known = _finite(values)
    return float(np.median(known)) if len(known) else None


def _against_alike(case: Case, i: int, where: BoolArray) -> tuple[float, float] | None:
    """Return unit `i`'s DC voltage and that of units like it in the same intervals, medians in V; None if not sent.

    Units with the same module on another plane stand in where none is like it: voltage hangs on the module.
    """
    sent = case.readings.channels.get("dc_voltage_v")
    if sent is None:
        return None
    volts = sent[:, case.day.positions][:, where]
    for alike in (case.like(i), _same_module(case, i)):
        theirs = volts[[k for k in alike if k != i]]
        both = np.isfinite(volts[i]) & np.isfinite(theirs).any(axis=0)
        if both.any():
            usual = np.nanmedian(theirs[:, both], axis=0)
            return float(np.median(volts[i, both])), float(np.median(usual))
    return None


def _same_module(case: Case, i: int) -> list[int]:
    units = case.day.site.units
    return [
        k
        for k, u in enumerate(units)
        if (u.module_type, u.module_count) == (units[i].module_type, units[i].module_count)
    ]
