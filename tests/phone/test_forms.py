"""Markup: what comes from outside stays text, wherever it stands."""

from html.parser import HTMLParser

from hypothesis import given, settings
from hypothesis import strategies as st
from markupsafe import Markup

from controller.markup import fill, lines
from controller.phone.forms import Forms, button, hidden
from controller.phone.orders import Choice

# What the parser leaves as it is: it reads line ends and NUL in its own way (WHATWG HTML, section 13.2.3.5).
TEXTS = st.text(st.characters(blacklist_characters="\0\r", blacklist_categories=("Cs",)))


class Read(HTMLParser):
    """Reads markup as the standard library does, a reader that is not ours."""

    def __init__(self, markup):
        super().__init__()
        self.tags, self.text = [], ""
        self.feed(markup)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data):
        self.text += data


@settings(deadline=None, derandomize=True)
@given(TEXTS)
def test_what_fills_a_gap_is_read_as_it_was(text):
    read = Read(fill('<p title="{text}">{text}</p>', text=text))
    assert (read.tags, read.text) == ([("p", {"title": text})], text)


def test_markup_stays_markup_and_text_beside_it_does_not():
    assert lines((fill("<b>{n}</b>", n=1), "<i>")) == Markup("<b>1</b>\n&lt;i&gt;")


@settings(deadline=None, derandomize=True)
@given(TEXTS, TEXTS)
def test_nothing_that_is_named_ends_a_form(name, token):
    forms = Forms(token=token, hours=(Choice(name, name),))
    markup = lines(
        (
            forms.heat_all(),
            forms.by_hand(f"tree:{name}", name, (name, name), ("covered",)),
            forms.keep_off(name, name, name, name, name),
            forms.done(name, name, name),
            forms.have(name, name),
            forms.undo(name, name),
            forms.automatic(name),
            hidden(name, name),
            button(name, name, name),
        )
    )
    plain = Forms(token="t", hours=(Choice("x", "x"),))
    tags = [tag for tag, _ in Read(markup).tags]
    assert tags.count("form") == 8
    assert tags.count("script") == 0
    tokens = [attrs["value"] for tag, attrs in Read(markup).tags if attrs.get("name") == "form"]
    assert [token] * 8 == tokens[:8] if name != "form" else token in tokens
    assert Read(plain.heat_all()).tags[0] == ("form", {"method": "post", "action": "/hand", "class": "all"})
