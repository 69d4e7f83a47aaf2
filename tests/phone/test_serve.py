"""The page's process: where it may listen, who cannot stop it, and that control never needs it."""

import socket
import subprocess
import sys
import time

import pytest
import requests

from controller.errors import PageError
from controller.phone import serve
from controller.phone.serve import check_address, connect
from controller.phone.watch import Watch
from controller.site.model import Broker, Phone
from tests.phone.conftest import served


@pytest.mark.parametrize("host", ["127.0.0.1", "127.0.0.53", "::1", "localhost"])
def test_only_this_machine(host, tmp_path):
    check_address(host, tmp_path, has_password=False)


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.0.2.7", "frost.lan", ""])
def test_never_the_network_unasked(host, tmp_path):
    with pytest.raises(PageError, match=f"no password is set in {tmp_path}"):
        check_address(host, tmp_path, has_password=False)
    check_address(host, tmp_path, has_password=True)


@pytest.mark.fault("N09")
def test_four_hundred_slow_sockets_do_not_keep_others_out(page, monkeypatch, met):
    monkeypatch.setattr(serve, "PATIENCE_S", 1.0)
    with served(page) as address:
        port = int(address.rpartition(":")[2])
        slow = [socket.create_connection(("127.0.0.1", port)) for _ in range(400)]
        try:
            begun_s = time.monotonic()
            for each in slow:
                each.sendall(b"GET / HTTP/1.1\r\nHost: localhost\r\nX-Slow: ")
            assert requests.get(f"{address}/well", timeout=5).text == "ok\n"
            for each in slow:
                each.settimeout(10.0)
            assert [each.recv(100) for each in slow] == [b""] * 400, "each was hung up on"
            hung_up_s = time.monotonic() - begun_s
            assert requests.get(f"{address}/well", timeout=5).text == "ok\n"
        finally:
            for each in slow:
                each.close()
    met(reaction=hung_up_s, alarm="none: others are served meanwhile")


def test_a_kept_connection_is_not_kept_for_ever(page, monkeypatch):
    monkeypatch.setattr(serve, "PATIENCE_S", 0.3)
    with served(page) as address:
        port = int(address.rpartition(":")[2])
        with socket.create_connection(("127.0.0.1", port), timeout=10) as kept:
            kept.sendall(b"GET /well HTTP/1.1\r\nHost: localhost\r\n\r\nGET /well")
            heard = b""
            while piece := kept.recv(1000):
                heard += piece
            assert heard.count(b"200 OK") == 1


def test_an_open_stream_does_not_keep_a_stopping_server(page):
    with served(page) as address:
        stream = requests.get(f"{address}/events", stream=True, timeout=10)
        next(stream.iter_lines())
        stopped_s = time.monotonic()
    assert time.monotonic() - stopped_s < serve.STOP_WITHIN_S + 5.0
    stream.close()


def test_the_page_has_its_own_name_at_the_broker(curlew_yard, page, tmp_path, monkeypatch):
    (tmp_path / "word").write_text("secret\n")
    site = curlew_yard.model_copy(
        update={
            "broker": Broker(host="127.0.0.1", port=1, user="controller", password_file="/nowhere"),
            "phone": Phone(user="phone", password_file=str(tmp_path / "word")),
        }
    )
    transport = connect(site, Watch(page.topics, page.clock))
    assert transport._client._username == b"phone"
    assert transport._client._password == b"secret"
    transport.close()


def test_the_page_needs_none_of_the_heavy_parts():
    """NumPy alone would take 21 MB of the 50 that the page may use, the others some 2 MB each."""
    heavy = {"numpy", "controller.keeper", "jinja2", "requests", "controller.cli.rehearse", "simulator"}
    code = f"import sys, controller.cli.phone, controller.phone.serve; print({heavy} & set(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "set()\n"
