"""Everything that can be pressed: forms, each with the form token of its session."""

from collections.abc import Iterable
from dataclasses import dataclass

from markupsafe import Markup

from controller.markup import NOTHING, fill, lines
from controller.phone.orders import Choice
from controller.phone.words import say


@dataclass(frozen=True, slots=True, kw_only=True)
class Forms:
    """Makes forms for one session.

    Parameters
    ----------
    token
        The session's form token.
    hours
        The ends one can choose for an order.
    """

    token: str
    hours: tuple[Choice, ...] = ()

    def heat_all(self) -> Markup:
        """Return the one that heats everything."""
        return self._form(
            "/hand",
            hidden("target", "all"),
            hidden("order", "hand-on"),
            fill('<label for="until-all">{label}</label>', label=say("heat-all")),
            fill(
                '<p class="row">{hours}\n<button class="warm">{do}</button></p>',
                hours=self._until("all"),
                do=say("heat-all-do"),
            ),
            css="all",
        )

    def automatic(self, target: str) -> Markup:
        """Return the one that takes a standing order back."""
        take_back = fill("<button>{label}</button>", label=say("take-back"))
        return self._form("/hand", hidden("target", target), hidden("order", "auto"), take_back)

    def done(self, target: str, what: str, label: str) -> Markup:
        """Return the one that says that something was done."""
        return self._form("/confirm", hidden("target", target), button("what", what, label))

    def have(self, key: str, label: str) -> Markup:
        """Return the one that says that somebody has an alarm."""
        return self._form("/acknowledge", button("key", key, label))

    def undo(self, of: str, label: str) -> Markup:
        """Return the one that takes something back by its id."""
        return self._form("/undo", button("of", of, label))

    def by_hand(self, target: str, name: str, heat: tuple[str, str] | None, answers: Iterable[str]) -> Markup:
        """Return everything for one tree or vent, folded away.

        ``heat`` labels the two positions of what can be switched, if anything can; ``answers`` are the words
        that can be said of it.
        """
        number = target.replace(":", "-")
        words = (button("what", what, say(f"did-{what}")) for what in answers)
        by_sight = fill('<p>{ask}</p>\n<p class="row">{words}</p>', ask=say("by-sight"), words=lines(words))
        return fill(
            '<details id="hand-{number}" class="hand"><summary>{title}</summary>\n'
            "{switch}\n{said}\n</details>",
            number=number,
            title=say("by-hand", name=name),
            switch=self._switch(target, number, heat) if heat else NOTHING,
            said=self._form("/confirm", hidden("target", target), by_sight),
        )

    def keep_off(self, target: str, position: str, until: str, let_go: str, label: str) -> Markup:
        """Return the one that keeps heat off, once its consequence was read; ``let_go`` are words to type."""
        typed = fill(
            '<label for="consent">{ask}</label>\n'
            '<input id="consent" name="consent" maxlength="80" autocomplete="off" autocapitalize="none">',
            ask=say("off-let-go", words=let_go),
        )
        return self._form(
            "/hand",
            hidden("target", target),
            hidden("order", position),
            hidden("until", until),
            hidden("sure", "yes"),
            fill('<p><a class="button warm" href="/">{no}</a></p>', no=say("off-no")),
            typed if let_go else NOTHING,
            fill("<button>{label}</button>", label=label),
            css="stack",
        )

    def log_out(self) -> Markup:
        """Return the one that ends this session, or all."""
        return self._form(
            "/logout",
            fill(
                '<p class="row"><button>{here}</button> {everywhere}</p>',
                here=say("log-out"),
                everywhere=button("all", "yes", say("log-out-all")),
            ),
        )

    def _switch(self, target: str, number: str, heat: tuple[str, str]) -> Markup:
        on, off = heat
        positions = (
            button("order", "hand-on", on, css="warm"),
            button("order", "hand-off", off),
            button("order", "auto", say("auto")),
        )
        return self._form(
            "/hand",
            hidden("target", target),
            fill('<label for="until-{number}">{until}</label>', number=number, until=say("until")),
            self._until(number),
            fill('<p class="row">{positions}</p>', positions=lines(positions)),
        )

    def _until(self, number: str) -> Markup:
        options = (
            fill(
                '<option value="{value}"{chosen}>{label}</option>',
                value=hour.value,
                chosen=Markup(" selected") if hour.chosen else NOTHING,
                label=hour.label,
            )
            for hour in self.hours
        )
        return fill(
            '<select id="until-{number}" name="until">{options}</select>',
            number=number,
            options=NOTHING.join(options),
        )

    def _form(self, action: str, *parts: Markup, css: str = "") -> Markup:
        return fill(
            '<form method="post" action="{action}"{css}>\n{parts}\n</form>',
            action=action,
            css=fill(' class="{css}"', css=css) if css else NOTHING,
            parts=lines((hidden("form", self.token), *(part for part in parts if part))),
        )


def hidden(name: str, value: object) -> Markup:
    """Return a field that nobody sees."""
    return fill('<input type="hidden" name="{name}" value="{value}">', name=name, value=value)


def button(name: str, value: str, label: str, *, css: str = "") -> Markup:
    """Return a button that sends a field."""
    return fill(
        '<button name="{name}" value="{value}"{css}>{label}</button>',
        name=name,
        value=value,
        css=fill(' class="{css}"', css=css) if css else NOTHING,
        label=label,
    )
