"""Ten thousand payloads that no honest sender sends, the same ones every time."""

import json
import math
import random
import struct

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
_NUMBERS = (0, -1, 7, 2**53, 2**70, -0.0, 0.5, -3.25, 85.0, -127.0, 300.1, 1e308, 5e-324, math.nan, math.inf)
_TEXTS = ("", "1", "OFF", "true", "3,5", "NaN", "\x00", "\ud7ff\U0001f34a", "' or 1=1", "x" * 70, _UNTIL)
_OTHERS = (None, True, False, [], {}, [[]], ["1", 1], {"a": {"b": 1.5}})


def _value(dice: random.Random) -> object:
    """Return anything that JSON can hold, and some numbers that it cannot."""
    kind = dice.randrange(5)
    if kind == 0:
        return dice.choice(_NUMBERS)
    if kind == 1:  # any pattern of bits is a number or none
        return struct.unpack("<d", dice.randbytes(8))[0]
    if kind == 2:
        return "".join(chr(dice.choice((dice.randrange(32, 127), dice.randrange(0xD800)))) for _ in range(9))
    return dice.choice(_TEXTS if kind == 3 else _OTHERS)


def _nearly_sound(dice: random.Random) -> bytes:
    """Return a sound payload of which one field has been replaced, removed or added."""
    fields = dict(dice.choice(SOUND))
    name = dice.choice([*fields, "strange"])
    if dice.random() < 0.6:
        fields[name] = _value(dice)
    else:
        fields.pop(name, None)
    return json.dumps(fields).encode()


def _damaged(dice: random.Random) -> bytes:
    """Return a sound payload of which some bytes have been overwritten, lost or added on the way."""
    whole = json.dumps(dice.choice(SOUND)).encode()
    start, lost = dice.randint(0, len(whole)), dice.randint(0, 8)
    return whole[:start] + dice.randbytes(dice.randint(0, 8)) + whole[start + lost :]


_KINDS = (
    lambda dice: dice.randbytes(dice.randint(0, 200)),
    lambda dice: json.dumps(_value(dice)).encode(),
    _nearly_sound,
    _damaged,
)


def malformed_payloads() -> tuple[bytes, ...]:
    """Return the payloads; a few are sound by chance, and every test that uses them allows for it."""
    dice = random.Random(20270114)
    made = dict.fromkeys(_ODD)  # each once, in the order in which they were made
    while len(made) < len(_ODD) + HOW_MANY:
        made[dice.choice(_KINDS)(dice)] = None
    return tuple(made)
