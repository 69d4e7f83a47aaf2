"""The page's own memory: password, sessions, and who ordered what."""

import stat

import pytest

from controller.errors import PageError
from controller.phone.store import IDLE_S, LONGEST_S, Store, _scrypt, is_password


@pytest.fixture
def store(tmp_path):
    store = Store(tmp_path / "phone.db")
    yield store
    store.close()


def test_scrypt_is_that_of_the_rfc():
    # RFC 7914 section 12, third vector's parameters need other n and p: checked through hashlib itself
    import hashlib  # noqa: PLC0415

    got = hashlib.scrypt(b"pleaseletmein", salt=b"SodiumChloride", n=16384, r=8, p=1, dklen=64)
    assert got.hex().startswith("7023bdcb3afd7348461c06cd81fd38eb")
    assert len(_scrypt("x", b"0" * 16)) == 64


def test_the_file_is_its_owners_alone(store, tmp_path):
    assert stat.S_IMODE((tmp_path / "phone.db").stat().st_mode) == 0o600


def test_a_password(store, tmp_path):
    assert not store.has_password
    assert not is_password(store.kept_password, "")
    store.set_password("satsumas in snow")
    assert is_password(store.kept_password, "satsumas in snow")
    assert not is_password(store.kept_password, "Satsumas in snow")
    for file in tmp_path.iterdir():
        assert b"satsumas in snow" not in file.read_bytes()


def test_too_short_a_password(store):
    with pytest.raises(PageError, match="7 characters; use at least 8"):
        store.set_password("1234567")
    assert not store.has_password


@pytest.mark.fault("N11")
def test_a_session_ends_by_idleness_age_log_out_and_a_new_password(store, tmp_path):
    first, second = store.begin("Nora", 1000.0), store.begin("Finn", 1000.0)
    assert store.session(first.token, 1100.0).who == "Nora"
    assert store.session(first.token, 1100.0 + IDLE_S) is None
    now_s = 1000.0
    while now_s < 1000.0 + LONGEST_S - IDLE_S:
        now_s += IDLE_S / 2
        assert store.session(second.token, now_s) is not None
    assert store.session(second.token, 1000.0 + LONGEST_S) is None
    third, fourth = store.begin("Nora", 2000.0), store.begin("Nora", 2000.0)
    store.end(third.token)
    assert store.session(third.token, 2001.0) is None
    store.set_password("another one")
    assert store.session(fourth.token, 2001.0) is None
    assert store.session("made up", 2001.0) is None
    for file in tmp_path.iterdir():
        assert fourth.token.encode() not in file.read_bytes()


def test_a_form_token_belongs_to_one_session_and_outlives_a_restart(store, tmp_path):
    token = store.form_token("a")
    assert store.is_form_token(token, "a")
    assert not store.is_form_token(token, "b")
    assert not store.is_form_token("", "a")
    assert not store.is_form_token("ü", "a")
    again = Store(tmp_path / "phone.db")
    assert again.is_form_token(token, "a")
    again.close()


def test_what_was_done_is_kept_two_winters(store):
    store.note(0.0, "Nora", "192.0.2.1", "Heat lemon", "taken")
    store.note(900 * 86400.0, "Finn", "192.0.2.2", "Heat yuzu", "refused")
    assert [who for _, who, _, _, _ in store.noted()] == ["Finn"]


def test_a_place_that_cannot_be_written(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(PageError, match="cannot keep its sessions"):
        Store(tmp_path / "file" / "phone.db")
