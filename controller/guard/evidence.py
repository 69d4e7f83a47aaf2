"""What a probe's word is worth: a temperature that may count, or the one reason why it may not."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from controller.guard.decision import Reason
from controller.guard.now import Now
from controller.guard.reading import HIGHEST_TEMP_C, LOWEST_TEMP_C, ProbeMemory
from controller.guard.witness import SILENT, Word

# Sender and controller clocks may differ by this much before a stamp counts as wrong.
CLOCK_SLACK_S = 60.0
# A value that stays the same to the last bit for this long, while another probe moves by this much, is stuck.
FROZEN_AFTER_S = 2700.0
FROZEN_OTHERS_MOVED_K = 1.0
# A probe's first words after it or its board started may be what its memory held before it measured.
FIRST_WORDS = 2
# Neighbouring words of a sound probe differ from a straight line by hundredths of this [K²]: a loose wire.
ROUGH_K2 = 0.25
# What a DS18B20 says before its first conversion, by its data sheet, and what a common driver says of one
# that is gone or starved of current (0x07FF, from memory).
POWER_ON_C = 85.0
GONE_C = frozenset({-127.0, 127.9375, 127.94})
# A reading older than this many reporting periods is no evidence.
STALE_PERIODS = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """A temperature [°C] that may count, or the fault that forbids it, with its age or lead [s].

    ``rh_pct`` is the humidity that came with it, NaN where none is measured.
    ``doubt`` is why a sound reading still cannot justify OFF, and ``witness`` what the model says beside it.
    """

    probe: str
    temp_c: float
    fault: Reason | None = None
    age_s: float = math.nan
    ahead_s: float = math.nan
    rh_pct: float = math.nan
    doubt: Reason | None = None
    witness: Word = SILENT


def judge(
    probe: str, memory: ProbeMemory | None, period_s: float, latest_c: Mapping[str, float], now: Now
) -> Evidence:
    """Return what a probe's last word is worth now.

    Parameters
    ----------
    probe, memory
        The probe and what is remembered of it.
    period_s
        How often it reports at the latest [s].
    latest_c
        The last temperatures of all probes [°C], to tell a stuck value from still air.
    """
    if memory is None:
        return Evidence(probe=probe, temp_c=math.nan, fault=Reason.PROBE_MISSING)
    temp_c = memory.temp_c
    age_s = now.mono_s - memory.heard_s
    ahead_s = 0.0
    if memory.at is not None and now.clock_trusted:
        ahead_s = (memory.at - now.utc).total_seconds()
        if -ahead_s > CLOCK_SLACK_S:
            age_s = max(age_s, -ahead_s)
    fault: Reason | None = None
    # each test asks for what makes the reading good, so that NaN fails it
    if not math.isfinite(temp_c):
        fault = Reason.PROBE_NOT_A_NUMBER
    elif not LOWEST_TEMP_C <= temp_c <= HIGHEST_TEMP_C:
        fault = _of_raw(memory.raw_c)
    elif not age_s <= period_s * STALE_PERIODS:
        is_heard = now.mono_s - memory.said_s <= period_s * STALE_PERIODS
        fault = Reason.PROBE_LEAPS if is_heard and memory.said_s > memory.heard_s else Reason.PROBE_STALE
    elif not ahead_s <= CLOCK_SLACK_S:
        fault = Reason.PROBE_FUTURE
    elif not memory.words > FIRST_WORDS:
        fault = Reason.PROBE_NEW
    elif memory.zeros_only:
        fault = Reason.PROBE_ZEROS
    elif memory.other_unit:
        fault = Reason.PROBE_FAR_OFF
    elif not memory.rough_k2 <= ROUGH_K2:
        fault = Reason.PROBE_NOISY
    elif now.mono_s - memory.same_since_s >= FROZEN_AFTER_S and _others_moved(probe, memory, latest_c):
        return Evidence(
            probe=probe, temp_c=temp_c, fault=Reason.PROBE_FROZEN, age_s=now.mono_s - memory.same_since_s
        )
    if fault is None:
        return Evidence(probe=probe, temp_c=temp_c, rh_pct=memory.rh_pct)
    return Evidence(probe=probe, temp_c=temp_c, fault=fault, age_s=age_s, ahead_s=ahead_s)


def _of_raw(raw_c: float) -> Reason:
    """Return why a number out of range is one, by what broken probes are known to say."""
    if raw_c == POWER_ON_C:
        return Reason.PROBE_POWER_ON
    return Reason.PROBE_GONE if raw_c in GONE_C else Reason.PROBE_OUT_OF_RANGE


def _others_moved(probe: str, memory: ProbeMemory, latest_c: Mapping[str, float]) -> bool:
    return any(
        abs(latest_c.get(name, math.nan) - then_c) >= FROZEN_OTHERS_MOVED_K
        for name, then_c in memory.others_c.items()
        if name != probe
    )


def coldest(evidence: list[Evidence]) -> Evidence:
    """Return the evidence that decides among several probes: the coldest sound one, else the first fault."""
    sound = [each for each in evidence if each.fault is None]
    return min(sound, key=lambda each: each.temp_c) if sound else evidence[0]


def far_off(evidence: Evidence) -> Evidence:
    """Return the evidence of a probe that speaks another unit or hangs elsewhere: it does not count."""
    return evidence if evidence.fault is not None else replace(evidence, fault=Reason.PROBE_FAR_OFF)


def beside(
    evidence: Evidence, word: Word, limit_c: float, *, suspect: bool = False, stands: bool = False
) -> Evidence:
    """Return a tree's evidence beside the model's word: doubted where the two cannot both be true.

    A ``suspect`` probe, against which the readings of past days speak, and one whose doubt ``stands``, needs
    the model's word that the tree is warm.
    """
    if evidence.fault is not None:
        return evidence
    if word.contradicts(evidence.temp_c, limit_c):
        return replace(evidence, doubt=Reason.WITNESS_COLDER, witness=word)
    if suspect and not word.is_sure_above(limit_c):
        return replace(evidence, doubt=Reason.PROBE_SUSPECT, witness=word)
    if stands and not word.is_sure_above(limit_c):
        return replace(evidence, doubt=Reason.DOUBT_STANDS, witness=word)
    return evidence
