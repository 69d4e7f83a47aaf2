"""Readings of other makes: by JSON Pointer (RFC 6901) and SenML (RFC 8428)."""

import json
from datetime import UTC, datetime

import pytest

from controller.bus.layouts import _found, read_probe
from controller.errors import MessageError

# RFC 6901, section 5: its document and all of its pointers.
DOCUMENT = r"""
{
  "foo": ["bar", "baz"],
  "": 0,
  "a/b": 1,
  "c%d": 2,
  "e^f": 3,
  "g|h": 4,
  "i\\j": 5,
  "k\"l": 6,
  " ": 7,
  "m~n": 8
}"""


@pytest.mark.parametrize(
    ("pointer", "value"),
    [
        ("", json.loads(DOCUMENT)),
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
    assert _found(json.loads(DOCUMENT), pointer) == value
    if isinstance(value, int):
        assert read_probe(DOCUMENT.encode(), pointer).temp_c == value


def test_escapes_are_undone_in_the_order_of_rfc_6901_section_4():
    assert _found({"~1": 3.0}, "/~01") == 3.0


@pytest.mark.parametrize("pointer", ["/nope", "/foo/2", "/foo/00", "/foo/-", "/foo/²", "/foo/-1", "/foo/0/0"])
def test_a_pointer_to_nothing_is_refused(pointer):
    with pytest.raises(MessageError, match="nothing at"):
        read_probe(DOCUMENT.encode(), pointer)


def test_what_is_no_pointer_is_refused():
    with pytest.raises(MessageError, match="begins with '/'"):
        read_probe(DOCUMENT.encode(), "foo")


def test_a_reading_of_another_make():
    assert read_probe(b'{"t": [{"v": -2.5}]}', "/t/0/v").temp_c == -2.5
    assert read_probe(b'{"t": null}', "/t").temp_c is None
    assert read_probe(b"4", "").temp_c == 4.0


def test_the_contract_s_own_form_needs_no_pointer():
    reading = read_probe(b'{"temp_c": -1.5, "at": "2027-01-15T03:00:00Z", "rh_pct": 80.0}')
    assert (reading.temp_c, reading.at, reading.rh_pct) == (-1.5, datetime(2027, 1, 15, 3, tzinfo=UTC), 80.0)


class TestSenml:
    def test_single_data_point(self):
        # RFC 8428, section 5.1.1
        reading = read_probe(b'[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]')
        assert (reading.temp_c, reading.at) == (23.1, None)

    def test_time_in_seconds_since_1970(self):
        # RFC 8428, section 5.1.2, dates its measurement 1.276020076001e+09, which is 8 June 2010 at 18:01:16.
        reading = read_probe(b'[{"bn":"p","bt":1.276020076001e+09,"u":"Cel","v":23.5}]')
        assert reading.at is not None
        assert abs(reading.at - datetime(2010, 6, 8, 18, 1, 16, 1000, tzinfo=UTC)).total_seconds() < 1e-3

    def test_base_time_unit_and_value_are_worked_in(self):
        # RFC 8428, section 4.6: base time and base value are added, the base unit stands in.
        reading = read_probe(b'[{"bt":1276020076,"bu":"Cel","bv":20,"v":1.5,"t":-10}]')
        assert reading.temp_c == 21.5
        assert reading.at == datetime(2010, 6, 8, 18, 1, 6, tzinfo=UTC)

    def test_base_fields_hold_for_the_records_that_follow(self):
        reading = read_probe(b'[{"bu":"%RH","bver":5,"n":"h","v":80},{"bu":"Cel","bv":-1,"n":"t","v":3}]')
        assert reading.temp_c == 2.0

    @pytest.mark.parametrize(
        ("payload", "why"),
        [
            (b"[]", "not with 0"),
            (b'[{"u":"K","v":270}]', "not with 0"),
            (b'[{"u":"Cel"}]', "not with 0"),
            (b'[{"u":"Cel","vs":"3"}]', "not with 0"),
            # Two probes in one payload: whichever was meant, it is not for us to guess.
            (b'[{"n":"a","u":"Cel","v":1},{"n":"b","u":"Cel","v":9}]', "not with 2"),
            (b"[1]", "list of records"),
            (b'[{"u":"Cel","v":true}]', "'v' is a number"),
            (b'[{"u":"Cel","v":"3"}]', "'v' is a number"),
            (b'[{"u":"Cel","v":null}]', "'v' is a number"),
            (b'[{"u":"Cel","v":3,"bv":"1"}]', "'bv' is a number"),
            (b'[{"u":"Cel","v":1' + b"0" * 400 + b"}]", "too large"),
            (b'[{"u":"Cel","v":1e308,"bv":1e308}]', "finite number"),
            (b'[{"u":"Cel","v":NaN}]', "not JSON"),
            (b'[{"u":"Cel","v":3,"t":-60}]', "from now"),
            (b'[{"u":"Cel","v":3,"t":60}]', "from now"),
            (b'[{"u":"Cel","v":3,"t":1e300}]', "outside the calendar"),
            (b'[{"u":"Cel","v":3,"bver":11}]', "newer than 10"),
            (b'[{"u":"Cel","v":3,"secret_":1}]', "must be understood"),
        ],
    )
    def test_what_is_not_one_temperature_of_now_is_refused(self, payload, why):
        with pytest.raises(MessageError, match=why):
            read_probe(payload)


@pytest.mark.parametrize(
    "payload",
    [
        b'{"t": "3.5"}',
        b'{"t": true}',
        b'{"t": [3.5]}',
        b'{"t": 1e999}',
        b'{"t": Infinity}',
        b'{"t": NaN}',
        b"[" * 4000,
        b"\xff",
        b'{"t":' + b"9" * 4080 + b"}",
        b" " * 5000,
        b"",
    ],
)
def test_what_is_no_number_of_degrees_is_refused(payload):
    with pytest.raises(MessageError):
        read_probe(payload, "/t")
