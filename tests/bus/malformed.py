"""Ten thousand payloads that no honest sender sends, the same ones every time."""

import json

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

HOW_MANY = 10_000
_UNTIL = "2027-01-15T06:00:00Z"
SOUND = [
    {"temp_c": -1.25, "at": _UNTIL, "rh_pct": 80.0},
    {"power_w": 60.0, "at": _UNTIL},
    {"session": "s1", "boot": "b1", "seq": 7, "ttl_s": 300.0, "off": ["1", "2"], "vent": ["fan"]},
    {"boot": "b1", "session": "s1", "seq": 7, "at": _UNTIL, "on": ["1"], "uptime_s": 60.0},
    {"session": "s1", "alive": True},
    {"who": "Nora", "tree": "lemon", "order": "hand-off", "until": _UNTIL, "version": 1},
    {"who": "Nora", "all": True, "order": "hand-off", "until": _UNTIL},
]
_ODD = [
    b"",
    b"null",
    b"OFF",
    b"\xff\xfe",
    b"[" * 4000,
    b'{"a":' * 600,
    b" " * 5000,
    b'{"temp_c": NaN}',
    b'{"temp_c": 1e999}',
    b'{"temp_c": 9' + b"9" * 4000,
    b'{"temp_c": 5, "temp_c": -40}',
    b'{"temp_c": "\\ud800"}',
]
_NUMBERS = st.one_of(st.floats(), st.integers(), st.sampled_from([85.0, -127.0, 1e308, -0.0, 2**70, 300.1]))
_VALUES = st.one_of(
    _NUMBERS,
    st.none(),
    st.booleans(),
    st.text(max_size=12),
    st.lists(st.one_of(st.text(max_size=3), _NUMBERS), max_size=3),
    st.dictionaries(st.text(max_size=3), _NUMBERS, max_size=2),
)


@st.composite
def _nearly_sound(draw):
    """Return a sound payload of which one field has been replaced, removed or added."""
    fields = dict(draw(st.sampled_from(SOUND)))
    name = draw(st.sampled_from([*fields, "strange"]))
    if draw(st.booleans()):
        fields[name] = draw(_VALUES)
    else:
        fields.pop(name, None)
    return json.dumps(fields).encode()


@st.composite
def _damaged(draw):
    """Return a sound payload of which some bytes have been overwritten, lost or added on the way."""
    whole = json.dumps(draw(st.sampled_from(SOUND))).encode()
    start = draw(st.integers(0, len(whole)))
    lost = draw(st.integers(0, 8))
    return whole[:start] + draw(st.binary(max_size=8)) + whole[start + lost :]


_PAYLOADS = st.one_of(
    st.binary(max_size=200),
    _VALUES.map(lambda value: json.dumps(value).encode()),
    _nearly_sound(),
    _damaged(),
    st.sampled_from(_ODD),
)


def malformed_payloads():
    """Return the payloads; a few are sound by chance, and every test that uses them allows for it."""
    made = list(_ODD)

    @settings(
        max_examples=HOW_MANY,
        deadline=None,
        database=None,
        suppress_health_check=list(HealthCheck),
        derandomize=True,
    )
    @given(_PAYLOADS)
    def pour(payload):
        made.append(payload)

    pour()
    return tuple(made)
