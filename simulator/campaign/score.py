"""The scoreboard of a campaign: what was lost and spent a night, by whom."""

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from statistics import median
from typing import Any

from simulator.campaign.outcome import Loss, Outcome
from simulator.faults.catalogue import catalogue

# Whose loss each row tells, in the order of the table.
RULES: dict[str, tuple[str, Callable[[Outcome], Loss]]] = {
    "Rimeward": ("with the faults", lambda each: each.ours),
    "plain thermostat": ("0 °C, its probe and strings with the same faults", lambda each: each.thermostat),
    "always on": ("every string from dusk, no fault", lambda each: each.always_on),
    "perfect foresight": ("true fruit temperatures known, no fault", lambda each: each.foresight),
    "no heat": ("fleece only", lambda each: each.no_heat),
}
# Those that are told once more for the nights in which nothing was broken.
SOUND = ("Rimeward", "plain thermostat")
# Who is warned so long before the first fruit freezes [s] can still do something (an estimate: to get up,
# look, and bring heat or put in a plug).
IN_TIME_S = 1800.0
# A fault of this severity or worse should be found.
SEVERE = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One rule's mean night: losses, electricity and switchings."""

    rule: str
    with_what: str
    money: float
    damage_k_h: float
    kwh: float
    cents_per_fruit: float
    switchings: float
    nights: int
    nights_with_loss: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """What a campaign showed.

    ``lost_by_control`` names runs in which a tree was lost that would have been kept had every string been on
    since the same fault began; ``lost_to_the_fault`` those that only a house without it would have kept.
    ``warned_in_time`` are those of the latter in which people were told half an hour before or more.
    """

    runs: int
    faults: int
    nights: tuple[str, ...]
    rows: tuple[Row, ...]
    lost_by_control: tuple[str, ...]
    lost_to_the_fault: tuple[str, ...]
    warned_in_time: tuple[str, ...]
    thermostat_lost: int
    unjustified_off: dict[str, int]
    found_after_s_median: float | None
    found_after_s_worst: float | None
    worst_found: str
    lost_and_not_found: tuple[str, ...]
    severe_not_found: int
    false_findings: tuple[str, ...]
    quiet_nights: int
    currency: str

    def to_dict(self) -> dict[str, Any]:
        """Return it for JSON."""
        return asdict(self)


def score_of(outcomes: Sequence[Outcome]) -> Score:
    """Return the scoreboard of some runs, at least one."""
    hurt = [each for each in outcomes if each.fault]
    by_control = [each for each in outcomes if each.by_control]
    to_the_fault = [each for each in outcomes if each.avoidable and not each.by_control]
    found = [each for each in hurt if each.found_after_s is not None]
    severe = [each for each in hurt if catalogue()[each.fault].severity >= SEVERE]
    worst = max(found, key=lambda each: each.found_after_s or 0.0, default=None)
    quiet = [each for each in outcomes if not each.fault]
    return Score(
        runs=len(outcomes),
        faults=len({each.fault for each in hurt}),
        nights=tuple(dict.fromkeys(each.night for each in outcomes)),
        rows=tuple(_row(rule, outcomes) for rule in RULES)
        + tuple(_row(rule, quiet, "nothing broken") for rule in SOUND if quiet),
        lost_by_control=tuple(each.key for each in by_control),
        lost_to_the_fault=tuple(each.key for each in to_the_fault),
        warned_in_time=tuple(each.key for each in to_the_fault if (each.warned_s or 0.0) >= IN_TIME_S),
        thermostat_lost=sum(bool(each.thermostat_avoidable) for each in outcomes),
        unjustified_off={each.key: each.unjustified_off for each in outcomes if each.unjustified_off},
        found_after_s_median=median(each.found_after_s or 0.0 for each in found) if found else None,
        found_after_s_worst=worst.found_after_s if worst else None,
        worst_found=worst.key if worst else "",
        lost_and_not_found=tuple(each.key for each in hurt if each.avoidable and not each.found),
        severe_not_found=sum(not each.found for each in severe),
        false_findings=tuple(f"{each.night}: {key}" for each in quiet for key in each.false_findings),
        quiet_nights=len(quiet),
        currency=outcomes[0].currency,
    )


def _row(rule: str, outcomes: Sequence[Outcome], with_what: str = "") -> Row:
    usual, loss = RULES[rule]
    losses = [loss(each) for each in outcomes]
    count = len(outcomes)
    return Row(
        rule=rule,
        with_what=with_what or usual,
        nights=count,
        money=round(sum(each.money for each in losses) / count, 2),
        damage_k_h=round(sum(each.damage_k_h for each in losses) / count, 2),
        kwh=round(sum(each.kwh for each in losses) / count, 2),
        cents_per_fruit=round(
            sum(100.0 * each.cost / max(1, one.fruits) for each, one in zip(losses, outcomes, strict=True))
            / count,
            3,
        ),
        switchings=round(sum(each.switchings for each in losses) / count, 1),
        nights_with_loss=sum(bool(each.trees) for each in losses),
    )


def score_text(score: Score) -> str:
    """Return the scoreboard as a grower reads it in a terminal."""
    head = ("lost", "K·h", "kWh", "ct/fruit", "switched", "with loss")
    lines = [f"{score.runs} runs: {', '.join(score.nights)}; {score.faults} kinds of fault", ""]
    lines.append(f"{'a mean night':18}" + "".join(f"{word:>10}" for word in head))
    for row in score.rows:
        numbers = f"{row.money:10.2f}{row.damage_k_h:10.2f}{row.kwh:10.2f}{row.cents_per_fruit:10.2f}"
        share = f"{row.nights_with_loss}/{row.nights}"
        lines.append(f"{row.rule:18}{numbers}{row.switchings:10.1f}{share:>10}  {row.with_what}")
    lines += ["", f"lost in {score.currency} for each site's trees; counted only where fruit froze"]
    told = len(score.lost_by_control)
    lines.append(f"lost though every string on since the fault began would have kept it: {told} runs")
    lines += [f"  {key}" for key in score.lost_by_control]
    told = len(score.lost_to_the_fault)
    lines.append(
        f"lost to what was broken, though a sound house would have kept it: {told} runs "
        f"(plain thermostat, either way: {score.thermostat_lost})"
    )
    late = [key for key in score.lost_to_the_fault if key not in score.warned_in_time]
    lines.append(
        f"  people were told {IN_TIME_S / 60:.0f} min before the first fruit froze, or earlier: "
        f"{len(score.warned_in_time)}; later or not at all: {len(late)}"
    )
    lines += [f"  {key}" for key in late]
    told = sum(score.unjustified_off.values())
    lines.append(f"strings at rest without a reason to: {told} control periods")
    lines += [f"  {key}: {count}" for key, count in score.unjustified_off.items()]
    told = len(score.false_findings)
    lines.append(f"false findings in {score.quiet_nights} nights without a fault: {told}")
    lines += [f"  {each}" for each in score.false_findings]
    if score.found_after_s_median is not None and score.found_after_s_worst is not None:
        lines.append(
            f"found after {score.found_after_s_median / 60:.0f} min in the middle, "
            f"{score.found_after_s_worst / 3600:.1f} h at worst ({score.worst_found}); "
            f"{score.severe_not_found} runs with a severe fault in which nothing new was found, of them "
            f"{len(score.lost_and_not_found)} with a loss"
        )
    return "\n".join(lines)
