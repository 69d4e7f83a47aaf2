"""Readings of other makes: by JSON Pointer (RFC 6901) and SenML (RFC 8428)."""

import pytest

from controller.bus.messages import _at, read_probe
from controller.errors import MessageError

# RFC 6901, section 5, whole
DOCUMENT = {
    "foo": ["bar", "baz"],
    "": 0,
    "a/b": 1,
    "c%d": 2,
    "e^f": 3,
    "g|h": 4,
    "i\\j": 5,
    'k"l': 6,
    " ": 7,
    "m~n": 8,
}


@pytest.mark.parametrize(
    ("pointer", "value"),
    [
        ("", DOCUMENT),
        ("/foo", ["bar", "baz"]),
        ("/foo/0", "bar"),
        ("/", 0),
        ("/a~1b", 1),
        ("/c%d", 2),
        ("/e^f", 3),
        ("/g|h", 4),
        ("/i\\j", 5),
        ('/k"l', 6),
        ("/ ", 7),
        ("/m~0n", 8),
    ],
)
def test_the_examples_of_rfc_6901(pointer, value):
    assert _at(DOCUMENT, pointer) == value


@pytest.mark.parametrize("pointer", ["/nope", "/foo/2", "/foo/00", "/foo/-", "/foo/²", "/foo/0/0", "foo"])
def test_a_pointer_to_nothing_is_refused(pointer):
    with pytest.raises(MessageError, match=r"nothing stands|no JSON Pointer"):
        _at(DOCUMENT, pointer)


def test_a_reading_of_another_make():
    assert read_probe(b'{"t": [{"v": -2.5}]}', "/t/0/v").temp_c == -2.5
    assert read_probe(b'{"t": null}', "/t").temp_c is None
    assert read_probe(b"4", "").temp_c == 4.0


def test_senml_as_in_rfc_8428():
    # RFC 8428, section 5.1.1 (single datapoint), its name and value
    assert read_probe(b'[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]', None).temp_c == 23.1
    # section 5.1.2's form: base unit, later record wins
    assert (
        read_probe(b'[{"bn":"p","bu":"Cel","v":1.0},{"n":"q","u":"%RH","v":80},{"v":2.0}]', None).temp_c
        == 2.0
    )


@pytest.mark.parametrize(
    ("payload", "pointer"),
    [
        (b'[{"u":"K","v":270}]', None),
        (b"[1]", None),
        (b"[]", None),
        (b'[{"u":"Cel","v":true}]', None),
        (b'[{"u":"Cel","v":"3"}]', None),
        (b'[{"u":"Cel","v":NaN}]', None),
        (b'{"t": "3.5"}', "/t"),
        (b'{"t": true}', "/t"),
        (b'{"t": 1e999}', "/t"),
        (b'{"t": Infinity}', "/t"),
        (b"[" * 4000, "/t"),
        (b"\xff", "/t"),
        (b'{"t":' + b"9" * 4080 + b"}", "/t"),
        (b" " * 5000, "/t"),
        (b"", "/t"),
    ],
)
def test_what_is_no_number_of_degrees_is_refused(payload, pointer):
    with pytest.raises(MessageError):
        read_probe(payload, pointer)
