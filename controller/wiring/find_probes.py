"""What is wrong with probes."""

from collections.abc import Mapping, Sequence

from controller.site.ice_bath import LARGEST_ERROR_K
from controller.wiring.cause import Cause, Diagnosis
from controller.wiring.check import Record, Scope
from controller.wiring.cycles import cycles
from controller.wiring.stages.boards import ID as LISTEN_ID
from controller.wiring.stages.probes import BATH_SETTLES_S, ICE_ID, warmed
from controller.wiring.step import Notes, Seen

# What a probe says is kept in sixteenths of a degree; one that lives wanders by more than this [K].
LIVES_K = 0.01


def places(record: Record, scope: Scope) -> dict[str, str]:
    """Return for each probe's name the place where it answered to a hand; unknown ones as declared."""
    found = {}
    for probe in scope.site.probes:
        at = [place for place, names in _answers(record, scope).items() if probe.name in names]
        found[probe.name] = at[0] if at and probe.name not in at else probe.name
    return found


def _answers(record: Record, scope: Scope) -> Mapping[str, tuple[str, ...]]:
    """Return for each place that was held the probes that grew warm."""
    return {
        probe.name: warmed(notes["held"])
        for probe in scope.site.probes
        if "held" in (notes := record.get(f"probes/{probe.name}", Notes()))
    }


def probe_faults(record: Record, scope: Scope, boards: Sequence[Diagnosis]) -> tuple[Diagnosis, ...]:
    """Return what is wrong with probes, or with two in each other's places."""
    heard = record[LISTEN_ID].get("heard", Seen())
    board_lost = any(d.cause in {Cause.BOARD_UNHEARD, Cause.TEXT_ECHO_UNHEARD} for d in boards)
    found: list[Diagnosis] = []
    for probe in scope.site.probes:
        garbled, told = heard.garbled.get(probe.name, 0), len(heard.readings.get(probe.name, ()))
        if garbled > told:
            found.append(
                _of(
                    Cause.PROBE_GARBLED, probe.name, f"{garbled} of {garbled + told} messages were no reading"
                )
            )
        elif not told:
            # a board that is not heard takes its probes with it
            found += (
                []
                if board_lost
                else [_of(Cause.PROBE_UNHEARD, probe.name, f"no reading within {heard.lasted_s:.0f} s")]
            )
        elif (said_c := _stands_still(record, probe.name)) is not None:
            found.append(_of(Cause.PROBE_STANDS_STILL, probe.name, f"it said {said_c:.2f} °C throughout"))
    dumb = {d.targets[0] for d in found}
    misplaced = _misplaced(record, scope, dumb)
    return (*found, *misplaced, *_far_off(record, scope, dumb), *_at_lamp(record, scope, dumb))


def _of(cause: Cause, probe: str, because: str) -> Diagnosis:
    return Diagnosis(cause=cause, targets=(probe,), because=because)


def _stands_still(record: Record, probe: str) -> float | None:
    """Return what a probe said whenever it was heard, if that never changed while it should have."""
    said = [
        c for notes in record.values() for seen in notes.values() for _, c in seen.readings.get(probe, ())
    ]
    tried = f"probes/{probe}" in record and "held" in record[f"probes/{probe}"]
    return said[0] if said and tried and max(said) - min(said) <= LIVES_K else None


def _misplaced(record: Record, scope: Scope, dumb: set[str]) -> list[Diagnosis]:
    answers = _answers(record, scope)
    found = []
    for place, names in answers.items():
        others = [n for n in names if n != place and n in answers and not answers[n]]
        if place in names and others:
            found.append(
                Diagnosis(
                    cause=Cause.PROBE_DOUBLED,
                    targets=(place, *others),
                    because=(
                        f"both grew warm when the place of {place} was held, neither at the "
                        f"place of {', '.join(others)}"
                    ),
                )
            )
    moved = {
        place: names[0]
        for place, names in answers.items()
        if len(names) == 1 and names[0] != place and names[0] not in dumb
    }
    for ring in cycles(moved):
        words = ", ".join(f"{moved[place]} answered at {place}" for place in ring)
        found.append(Diagnosis(cause=Cause.PROBES_SWAPPED, targets=tuple(sorted(ring)), because=words))
    return found


def _far_off(record: Record, scope: Scope, dumb: set[str]) -> list[Diagnosis]:
    ice = record.get(ICE_ID, Notes()).get("ice", Seen())
    found = []
    for probe in scope.site.probes:
        settled = [c for s, c in ice.readings.get(probe.name, ()) if s >= BATH_SETTLES_S]
        if settled and probe.name not in dumb:
            mean_c = sum(settled) / len(settled)
            if not abs(mean_c) <= LARGEST_ERROR_K:
                found.append(_of(Cause.PROBE_FAR_OFF, probe.name, f"it said {mean_c:+.2f} °C in melting ice"))
    return found


# Air under fleece takes minutes to warm by a kelvin and a half; only a lamp beside it does so at once [s].
TOO_FAST_S = 75.0
TOO_FAST_K = 1.5


def _at_lamp(record: Record, scope: Scope, dumb: set[str]) -> list[Diagnosis]:
    found: dict[str, Diagnosis] = {}
    for load in scope.strings:
        seen = record.get(f"strings/{load.tag}", Notes()).get("heat")
        for probe in scope.site.probes if seen else ():
            after_s = seen.warmed_s(probe.name, TOO_FAST_K) if seen else float("inf")
            if probe.name not in dumb and after_s <= TOO_FAST_S:
                found.setdefault(
                    probe.name,
                    _of(
                        Cause.PROBE_AT_LAMP,
                        probe.name,
                        f"it rose by {TOO_FAST_K} K within {after_s:.0f} s of {load.tag} coming on",
                    ),
                )
    return list(found.values())
