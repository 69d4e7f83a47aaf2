"""The page by TLS: a browser that knows the authority is served, and nothing travels in the open."""

import socket
import subprocess
import sys
import time

import pytest
import requests

from controller.errors import PageError
from controller.phone.serve import Place, check_certificate
from controller.site.load import example_site
from tests.phone.conftest import request, served


def _hang_up_or_refuse(port):
    with pytest.raises(requests.ConnectionError):
        requests.get(f"http://127.0.0.1:{port}/well", timeout=10)


@pytest.mark.parametrize("secure", [True, False])
def test_the_session_travels_by_tls_only(page, secure):
    page.secure = secure
    page.__post_init__()
    answer = request(page.app)
    assert answer.status == 200
    assert ("; Secure" in answer.headers["set-cookie"]) is secure
    assert "strict-transport-security" not in answer.headers, "a certificate that ends must not lock out"


def test_by_tls_to_whoever_knows_the_authority_and_to_nobody_in_the_open(page, yard_certificate):
    ours, chain, key = yard_certificate
    page.secure = True
    page.__post_init__()
    with served(page, chain, key) as address, requests.Session() as browser:
        assert browser.get(f"{address}/", verify=str(ours), timeout=10).status_code == 200
        (cookie,) = browser.cookies
        assert cookie.secure
        with pytest.raises(requests.exceptions.SSLError, match="verify failed"):
            requests.get(f"{address}/well", timeout=10)
        _hang_up_or_refuse(address.rpartition(":")[2])


def test_the_command_serves_by_tls(tmp_path, yard_certificate):
    ours, chain, key = yard_certificate
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    words = [
        "phone",
        "--site",
        example_site("curlew-yard"),
        "--state",
        tmp_path,
        "--port",
        port,
        "--certificate",
        chain,
        "--key",
        key,
    ]
    command = [sys.executable, "-c", "from controller.cli import main; main()", *map(str, words)]
    running = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    try:
        ends_s = time.monotonic() + 30.0
        while running.poll() is None and time.monotonic() < ends_s:
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", port)) == 0:
                    break
            time.sleep(0.05)
        answer = requests.get(f"https://127.0.0.1:{port}/", verify=str(ours), timeout=10)
        assert answer.status_code == 200
        assert "; Secure" in answer.headers["set-cookie"]
        _hang_up_or_refuse(port)
    finally:
        running.terminate()
        told, _ = running.communicate(timeout=20)
    assert f"https://127.0.0.1:{port}/" in told
    assert "Traceback" not in told


def test_a_certificate_that_cannot_serve_is_told_before_anything_listens(tmp_path, yard_certificate):
    _, chain, key = yard_certificate
    check_certificate(Place(host="localhost", port=8484, certificate=chain, key=key))
    check_certificate(Place(host="localhost", port=8484))
    locked = tmp_path / "locked.key"
    subprocess.run(
        ["openssl", "rsa", "-aes256", "-passout", "pass:yard", "-in", key, "-out", locked],
        check=True,
        capture_output=True,
    )
    for wrong in (locked, chain, yard_certificate[0].with_name("ours.key"), None, tmp_path / "none"):
        with pytest.raises(PageError, match="cannot be used for TLS"):
            check_certificate(Place(host="localhost", port=8484, certificate=chain, key=wrong))
    with pytest.raises(PageError, match="would serve plain HTTP"):
        check_certificate(Place(host="localhost", port=8484, key=key))
