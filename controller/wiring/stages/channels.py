"""Each channel on and off by itself: which load follows it, and which way round."""

from collections.abc import Sequence
from dataclasses import dataclass

from controller.wiring.check import Check, Record, Result, Scope, Stage, judged
from controller.wiring.loads import Load
from controller.wiring.step import NO, YES, Ask, Notes, Seen, Stand, Step, Task, Until, may_switch

DARK_ID = "channels/dark"
# A heater may stay on for two minutes before it goes off; some seconds more for the echo.
GOES_OFF_S = 150.0
COMES_ON_S = 20.0
# A tester at the points along a string's feed, from the board to the plug; the first dead one tells.
POINTS = (
    ("mains", "Is there mains at the supply side of its relay?"),
    ("relay", "Is there voltage behind its relay?"),
    ("stat", "Is there voltage behind its frost-stat, turned up?"),
    ("cut-out", "Is there voltage behind its cut-out, at its plug?"),
)


def lit(notes: Notes, key: str, expected: Sequence[str]) -> frozenset[str] | None:
    """Return the tags of what a person saw on: as expected if they said yes, else what they named."""
    if notes.said(key, YES):
        return frozenset(expected)
    which = f"{key}-which"
    return frozenset(notes[which].answer) - {NOTHING} if which in notes else None


NOTHING = "nothing"


def ask_lit(scope: Scope, key: str, text: str, notes: Notes, expected: Sequence[str]) -> list[Step]:
    """Return the question what is on, in two: whether as expected, and if not, which."""
    view = "on=" + ",".join(expected)
    steps: list[Step] = [Ask(key=key, text=text, view=view)]
    if notes.said(key, NO):
        tags = tuple(load.tag for load in scope.loads)
        steps.append(
            Ask(
                key=f"{key}-which",
                text="Which are on, by the tags at their plugs?",
                view="on",
                choices=(*tags, NOTHING),
                several=True,
            )
        )
    return steps


@dataclass(frozen=True, slots=True)
class DarkCheck:
    """Everything told to rest: frost-stats up, every string dark, every vent at rest."""

    id: str = DARK_ID
    stage: Stage = Stage.CHANNELS

    def steps(self, notes: Notes, record: Record, scope: Scope) -> Sequence[Step]:
        """Ask for leave, tell everything to rest, turn the frost-stats up, look."""
        ready = may_switch(
            "Next every string is switched off, then each comes on alone for a few minutes, then each vent. "
            "Mild air keeps frost-stats open, so they are to be turned up until the end of the test. "
            "Is everybody clear of strings and vents?"
        )
        up = Ask(key="up", task=Task.STATS_UP, text="Turn every frost-stat to its highest setting. Done?")
        # off before the frost-stats are turned up, so that no string comes on under somebody's hands
        first, dark = (
            Stand(
                key=key,
                says="all strings off, all vents at rest",
                on=frozenset(),
                most_s=GOES_OFF_S,
                until=Until.ECHO,
                least_s=15.0,
            )
            for key in ("first", "dark")
        )
        look = ask_lit(scope, "lit", "Is every string dark now, and every vent at rest?", notes, ())
        return (ready, first, up, dark, *look)

    def result(self, notes: Notes, record: Record, scope: Scope) -> Result:
        """Good if echoes say off, meters nothing and the person saw nothing on."""
        title = "Everything told to rest is dark"
        if "dark" not in notes:
            return judged(self, title, None, "not begun")
        still = sorted(lit(notes, "lit", ()) or ())
        echoed = [load.tag for load in scope.loads if notes["dark"].is_on(load.channel) is not False]
        drawn = {c: w for c, w in notes["dark"].power_w.items() if w > LEAST_W}
        good = not still and not echoed and not drawn
        words = [f"still on: {', '.join(still)}"] if still else []
        words += [f"not echoed off: {', '.join(echoed)}"] if echoed else []
        words += [f"circuit {c} still draws {w:.0f} W" for c, w in drawn.items()]
        looked = "; seen dark" if "lit" in notes else ""
        watts = f", meters {_watts(notes['dark'])}" if notes["dark"].power_w else ""
        return judged(self, title, good, "; ".join(words) or f"all boards echoed off{watts}{looked}")


# Less than this on a circuit is no string but a meter's own error or a small transformer [W].
LEAST_W = 15.0


def _watts(seen: Seen) -> str:
    return ", ".join(f"{c} {w:.0f} W" for c, w in seen.power_w.items())


@dataclass(frozen=True, slots=True)
class ChannelCheck:
    """One channel on by itself, then off."""

    load: Load
    stage: Stage = Stage.CHANNELS

    @property
    def id(self) -> str:
        """Its place in the record."""
        return f"channels/{self.load.channel}"

    def steps(self, notes: Notes, record: Record, scope: Scope) -> Sequence[Step]:
        """Switch it on, look; follow the feed of a string that is dark; switch it off again."""
        if DARK_ID not in record or "dark" not in record[DARK_ID]:
            return ()
        tag, channel = self.load.tag, self.load.channel
        verb = "lit" if self.load.is_string else "running or open"
        on = frozenset({channel}) if self.load.is_string else frozenset[str]()
        moved = frozenset[str]() if self.load.is_string else frozenset({channel})
        # what would not go dark before is expected to be on still
        still = lit(record[DARK_ID], "lit", ()) or frozenset()
        expected = sorted({tag, *still})
        besides = (
            "nothing else" if not still - {tag} else f"besides it only {', '.join(sorted(still - {tag}))}"
        )
        look = ask_lit(scope, "lit", f"Is {tag} {verb} now, and {besides}?", notes, expected)
        return (
            Stand(
                key="on",
                says=f"{tag} ({channel}) alone on",
                on=on,
                moved=moved,
                least_s=15.0,
                most_s=GOES_OFF_S,
                until=Until.ECHO,
            ),
            *look,
            *self._follow(notes, still, scope),
            Stand(
                key="off",
                says=f"{tag} off again",
                on=frozenset(),
                least_s=5.0,
                most_s=GOES_OFF_S,
                until=Until.ECHO,
            ),
        )

    def _follow(self, notes: Notes, still: frozenset[str], scope: Scope) -> list[Step]:
        """Ask further about a string that did not follow: one that stayed lit, one that stayed dark."""
        tag, seen_on = self.load.tag, lit(notes, "lit", sorted({self.load.tag, *still}))
        if not self.load.is_string or seen_on is None:
            return []
        if tag in still and tag in seen_on:
            return [
                Ask(
                    key="click",
                    view="click",
                    target=self.load.channel,
                    text=f"Did the relay of {self.load.channel} click or change its light just now?",
                )
            ]
        if tag in seen_on or tag in still or seen_on - still:
            return []  # it is on, went dark instead, or another came on in its place
        if scope.short:
            return []  # a tester is for an electrician
        asks: list[Step] = []
        for key, text in POINTS:
            asks.append(
                Ask(
                    key=key,
                    view=f"volts:{key}",
                    target=tag,
                    text=f"{tag} is dark. {text} (tester; by an electrician)",
                )
            )
            if not notes.said(key, YES):
                break
        return asks

    def result(self, notes: Notes, record: Record, scope: Scope) -> Result:
        """Good if exactly its own load followed, by echo, watts and eye."""
        title = f"Channel {self.load.channel} switches {self.load.tag}"
        if "on" not in notes:
            return judged(self, title, None, "everything has to be dark first")
        still = lit(record.get(DARK_ID, Notes()), "lit", ()) or frozenset()
        seen_on = lit(notes, "lit", sorted({self.load.tag, *still}))
        words, good = [], True
        echo_on, echo_off = (
            notes["on"].is_on(self.load.channel),
            notes["off"].is_on(self.load.channel) if "off" in notes else None,
        )
        words.append(f"echo {_word(echo_on)} and {_word(echo_off)}")
        good = good and echo_on is True and echo_off is False
        if self.load.is_string and self.load.circuit in notes["on"].power_w:
            drawn_w = drawn(notes, record, self.load.circuit)
            words.append(f"{drawn_w:.0f} W of {self.load.power_w:g} W declared")
            good = good and 0.75 <= drawn_w / self.load.power_w <= 1.25
        if seen_on is not None:
            words.append(f"seen on: {', '.join(sorted(seen_on)) or 'nothing'}")
            good = good and seen_on == {self.load.tag}
        elif scope.attended or self.load.circuit not in notes["on"].power_w:
            return judged(
                self,
                title,
                None if good else False,
                "; ".join(words) + "; nobody looked and no meter tells",
            )
        return judged(self, title, good, "; ".join(words))


def drawn(notes: Notes, record: Record, circuit: str) -> float:
    """Return what a channel's step added to a circuit [W], by its meter."""
    before = record.get(DARK_ID, Notes()).get("dark", Seen())
    return notes["on"].power_w.get(circuit, 0.0) - before.power_w.get(circuit, 0.0)


def _word(on: bool | None) -> str:  # noqa: FBT001 (three values)
    return "unheard" if on is None else "on" if on else "off"


def checks(scope: Scope) -> list[Check]:
    """Return the check of darkness, then one for each channel."""
    return [DarkCheck(), *[ChannelCheck(load) for load in scope.loads]]
