"""Questions as they are put, and what a person's keys mean."""

from collections.abc import Sequence

from controller.wiring.step import NO, YES, YES_NO, Ask

STOP_KEYS = frozenset({"s", "S", "\x1b", "\x03"})


def keys_of(ask: Ask) -> str:
    """Return the line of keys under a question."""
    if ask.choices == YES_NO:
        keys = "[  Y  yes  ]    [  N  no  ]"
    else:
        keys = "   ".join(f"[{number}] {choice}" for number, choice in enumerate(ask.choices, start=1))
        keys += "\n    several: numbers with commas, then Enter" if ask.several else "   then Enter"
    return f"    {keys}    [ S  stop: everything to rest ]"


def answer_of(typed: str, ask: Ask) -> tuple[str, ...]:
    """Return the answer that typed text means; what means nothing is handed on, to be asked again."""
    text = typed.strip().lower()
    if ask.choices == YES_NO:
        return ({"y": YES, "n": NO}.get(text[:1], text),)
    return tuple(_choice(part.strip(), ask.choices) for part in text.split(",") if part.strip()) or ("",)


def _choice(part: str, choices: Sequence[str]) -> str:
    if part.isdigit() and 1 <= int(part) <= len(choices):
        return choices[int(part) - 1]
    return part
