"""Each probe held in the hand: which one answers; then all in melting ice: by how much each is off."""

from collections.abc import Sequence
from dataclasses import dataclass

from controller.errors import ProbeError
from controller.site.ice_bath import METHOD, STEADY_S, Calibration, calibrate
from controller.site.model import Probe
from controller.wiring.check import Check, Record, Result, Scope, Stage, judged
from controller.wiring.step import YES, Ask, Notes, Seen, Stand, Step, Task, Until

# A hand is some 20 K warmer than a mild house: a probe in a sleeve rises by this within a minute or two.
HELD_RISE_K = 3.0
HELD_MOST_S = 240.0
ICE_ID = "probes/ice"
# The bath has settled after this long; what is said from then on counts.
BATH_SETTLES_S = 900.0
SETTLES_S = 600.0


def place_of(scope: Scope, probe: Probe) -> str:
    """Return in words where a probe belongs."""
    for tree in scope.site.trees:
        if probe.name in tree.probes:
            number = f", number {tree.probes.index(probe.name) + 1}" if len(tree.probes) > 1 else ""
            return f"under the fleece of {tree.name}{number}"
    return {"outside": "outside, in the shade", "house": "in the house's air"}.get(probe.measures, probe.name)


@dataclass(frozen=True, slots=True)
class HandCheck:
    """One place's probe held in the hand: the one that rises hangs there."""

    probe: Probe
    stage: Stage = Stage.PROBES

    @property
    def id(self) -> str:
        """Its place in the record."""
        return f"probes/{self.probe.name}"

    def steps(self, notes: Notes, record: Record, scope: Scope) -> Sequence[Step]:
        """Hold it, watch all, let go."""
        where = place_of(scope, self.probe)
        name = self.probe.name
        return (
            (
                Ask(
                    key="hold",
                    task=Task.HOLD_PROBE,
                    target=name,
                    text=(
                        f"Take the probe that hangs {where} into your closed hand and keep it "
                        "there. Do you hold it?"
                    ),
                ),
                Stand(
                    key="held",
                    says=f"watching which probe grows warm ({where} is held)",
                    on=None,
                    least_s=60.0,
                    most_s=HELD_MOST_S,
                    until=Until.WARMER,
                    rise_k=HELD_RISE_K,
                ),
                Ask(
                    key="free",
                    task=Task.RELEASE_PROBE,
                    target=name,
                    text="Let go of it, and hang it back. Done?",
                ),
            )
            if scope.attended
            else ()
        )

    def result(self, notes: Notes, record: Record, scope: Scope) -> Result:
        """Good if this one rose, and it alone."""
        title = f"Probe {self.probe.name} answers {place_of(scope, self.probe)}"
        if "held" not in notes:
            return judged(self, title, None, "nobody held it")
        warm = warmed(notes["held"])
        rises = ", ".join(f"{name} +{notes['held'].rise_k(name):.1f} K" for name in warm) or "no probe rose"
        return judged(self, title, warm == (self.probe.name,), f"held in the hand: {rises}")


def warmed(seen: Seen) -> tuple[str, ...]:
    """Return the probes that felt the hand, warmest first; those still warm from before only cool."""
    names = [name for name in seen.readings if seen.rise_k(name) >= HELD_RISE_K]
    best = max((seen.rise_k(name) for name in names), default=0.0)
    return tuple(sorted((n for n in names if seen.rise_k(n) >= 0.5 * best), key=lambda n: -seen.rise_k(n)))


@dataclass(frozen=True, slots=True)
class IceCheck:
    """All probes in one bath of melting ice: each one's offset."""

    id: str = ICE_ID
    stage: Stage = Stage.PROBES

    def steps(self, notes: Notes, record: Record, scope: Scope) -> Sequence[Step]:
        """Offer a bath; if there is one, wait until it is steady."""
        if not scope.attended:
            return ()
        bath = Ask(key="bath", text=f"{METHOD}\n\nIs a bath ready? (No leaves the probes as they are.)")
        if not notes.said("bath", YES):
            return (bath,)
        return (
            bath,
            Ask(key="in", task=Task.ICE_BATH, text="Hang all probes into the bath together. Are they in?"),
            Stand(
                key="ice",
                says="waiting for the ice bath: about 25 minutes",
                on=None,
                most_s=BATH_SETTLES_S + STEADY_S,
                sample_s=15.0,
            ),
            Ask(
                key="out",
                task=Task.HANG_BACK,
                text="Dry the probes and hang each back in its own place. Done?",
            ),
            Stand(
                key="settle",
                says="letting the probes come back to their air",
                on=None,
                most_s=SETTLES_S,
                sample_s=60.0,
            ),
        )

    def result(self, notes: Notes, record: Record, scope: Scope) -> Result:
        """Good if every probe is within what can be corrected."""
        title = "Probes in melting ice"
        if "ice" not in notes:
            return judged(self, title, None, "no ice bath was made")
        found = {probe.name: in_ice(notes["ice"], probe.name) for probe in scope.site.probes}
        words = [
            f"{name} {c.offset_k:+.2f} K" if isinstance(c, Calibration) else f"{name}: {c}"
            for name, c in found.items()
        ]
        good = all(isinstance(c, Calibration) for c in found.values())
        return judged(self, title, good, f"to be added to each: {'; '.join(words)}")


def in_ice(seen: Seen, probe: str) -> Calibration | str:
    """Return a probe's offset by what it said in the settled bath, or why it has none."""
    readings_c = [c for s, c in seen.readings.get(probe, ()) if s >= BATH_SETTLES_S]
    try:
        return calibrate(readings_c)
    except ProbeError as error:
        return str(error)


def checks(scope: Scope) -> list[Check]:
    """Return a check for each probe, then the bath."""
    return [*[HandCheck(probe) for probe in scope.site.probes], IceCheck()]
