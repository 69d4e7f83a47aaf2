"""A person at a terminal: questions printed, keys read on a thread of its own so that leases go on."""

import sys
import threading
from collections import deque
from collections.abc import Callable

import click

from controller.wiring.check import Check
from controller.wiring.dialogue import STOP_KEYS, answer_of, keys_of
from controller.wiring.step import YES_NO, Ask


class Keys:
    """Keys as they are pressed; a line at a time where there is no terminal."""

    def __init__(self) -> None:
        self.pressed: deque[str] = deque(maxlen=1000)
        self.ended = False
        self._thread = threading.Thread(target=self._read, name="keys", daemon=True)
        self._thread.start()

    def _read(self) -> None:
        is_terminal = sys.stdin.isatty()
        while True:
            try:
                text = click.getchar() if is_terminal else sys.stdin.readline()
            except (KeyboardInterrupt, EOFError):
                text = "\x03"
            except (OSError, ValueError):
                text = ""
            if not text:
                self.ended = True
                return
            self.pressed.extend(text)


class Console:
    """Asks at a terminal.

    Parameters
    ----------
    keys
        What is pressed.
    hint
        What else to show with a question: in a rehearsal, what there is to be seen.
    say
        Where text goes.
    """

    def __init__(
        self,
        keys: Keys,
        hint: Callable[[Ask], str] = lambda _ask: "",
        say: Callable[[str], None] = click.echo,
    ) -> None:
        self._keys, self._hint, self._say = keys, hint, say
        self._line = ""
        self._stop = False

    def say(self, text: str) -> None:
        """Print it."""
        self._say(f"  · {text}")

    def begin(self, check: Check, number: int, of: int) -> None:
        """Print where the test stands."""
        self._say(f"\n[{number}/{of}] {check.id}")

    def ask(self, ask: Ask) -> None:
        """Print a question and its keys."""
        self._line = ""
        hint = self._hint(ask)
        text = "\n  ".join(ask.text.split("\n"))
        self._say(f"\n  {text}\n" + (f"    {hint}\n" if hint else "") + f"\n{keys_of(ask)}")

    def answer(self, ask: Ask) -> tuple[str, ...] | None:
        """Return what the keys pressed so far answer; None while they answer nothing."""
        while self._keys.pressed:
            key = self._keys.pressed.popleft()
            if key in STOP_KEYS and not self._line:
                self._stop = True
                return None
            if ask.choices == YES_NO:
                if not key.isspace():
                    return answer_of(key, ask)
            elif key in "\r\n":
                line, self._line = self._line, ""
                return answer_of(line, ask)
            else:
                self._line += key
        return None

    def wants_to_stop(self) -> bool:
        """Tell whether the stop key was pressed, or nobody can press one any more."""
        while self._keys.pressed and self._keys.pressed[0] in STOP_KEYS and not self._line:
            self._keys.pressed.popleft()
            self._stop = True
        return self._stop or (self._keys.ended and not self._keys.pressed)
