"""TLS to the broker: only one that our own authority signed, and only while that is valid, is spoken to."""

import shutil
import socket
import subprocess
import time

import pytest

from controller.bus.broker import find_mosquitto
from controller.bus.mqtt import MqttTransport
from controller.site.model import Broker
from tests.bus.conftest import until

_OPENSSL = shutil.which("openssl")


def _openssl(folder, *words):
    subprocess.run([_OPENSSL, *words], cwd=folder, check=True, capture_output=True)


def authority(folder, name):
    """Make a certificate authority's key and certificate."""
    _openssl(folder, "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "30", "-subj", f"/CN={name}",
             "-keyout", f"{name}.key", "-out", f"{name}.crt")  # fmt: skip
    return folder / f"{name}.crt"


def certificate(folder, name, signer, host, valid=None):
    """Make a server's key and certificate, signed by an authority: for a month, or between two times."""
    _openssl(folder, "req", "-newkey", "rsa:2048", "-nodes", "-subj", f"/CN={host}", "-keyout", f"{name}.key",
             "-out", f"{name}.csr")  # fmt: skip
    (folder / "san").write_text(f"subjectAltName=DNS:{host},IP:127.0.0.1")
    if valid is None:
        _openssl(folder, "x509", "-req", "-days", "30", "-CA", f"{signer}.crt", "-CAkey", f"{signer}.key",
                 "-CAcreateserial", "-extfile", "san", "-in", f"{name}.csr",
                 "-out", f"{name}.crt")  # fmt: skip
        return
    (folder / "index").touch()
    (folder / "serial").write_text("01")
    (folder / "ca.cnf").write_text(
        "[ca]\ndefault_ca=d\n[d]\ndatabase=index\nserial=serial\nnew_certs_dir=.\ndefault_md=sha256\n"
        "policy=p\n[p]\ncommonName=supplied\n"
    )
    _openssl(folder, "ca", "-batch", "-config", "ca.cnf", "-cert", f"{signer}.crt", "-keyfile",
             f"{signer}.key", "-startdate", valid[0], "-enddate", valid[1], "-extfile", "san", "-notext",
             "-in", f"{name}.csr", "-out", f"{name}.crt")  # fmt: skip


@pytest.fixture
def brokers(tmp_path):
    """Run mosquitto with a certificate; returns the port of each."""
    if find_mosquitto() is None or _OPENSSL is None:
        pytest.skip("mosquitto or openssl is not installed")
    running = []

    def start(name):
        with socket.create_server(("127.0.0.1", 0)) as free:
            port = free.getsockname()[1]
        (tmp_path / f"{name}.conf").write_text(
            f"listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\nuser root\n"
            f"certfile {tmp_path / name}.crt\nkeyfile {tmp_path / name}.key\n"
        )
        running.append(
            subprocess.Popen([find_mosquitto(), "-c", tmp_path / f"{name}.conf"], stderr=subprocess.DEVNULL)
        )
        ends_s = time.monotonic() + 10.0
        while time.monotonic() < ends_s:
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", port)) == 0:
                    return port
            time.sleep(0.02)
        raise AssertionError("mosquitto did not start")

    yield start
    for each in running:
        each.terminate()
        each.wait(10.0)


def connect(port, ca_file):
    heard = []
    transport = MqttTransport(
        Broker(host="127.0.0.1", port=port, ca_file=str(ca_file)), "controller", ("x",), heard.append
    )
    transport._client.reconnect_delay_set(0.1, 0.2)
    transport.start()
    return transport


def test_the_broker_that_our_authority_signed_is_spoken_to(tmp_path, brokers):
    ours = authority(tmp_path, "ours")
    certificate(tmp_path, "yard", "ours", "broker.yard")
    transport = connect(brokers("yard"), ours)
    until(lambda: transport.connected)
    transport.close()


ENDED = ("20200101000000Z", "20200201000000Z")
# to a controller whose clock stands at an old date every certificate is one of these
NOT_YET = ("20480101000000Z", "20490101000000Z")


@pytest.mark.parametrize(
    ("signer", "valid"),
    [
        pytest.param("theirs", None, id="another authority", marks=pytest.mark.fault("N05")),
        pytest.param("ours", ENDED, id="ended", marks=pytest.mark.fault("M25")),
        pytest.param("ours", NOT_YET, id="not yet", marks=pytest.mark.fault("M25", "P-05")),
    ],
)
# paho leaves the socket of a failed handshake to the garbage collector, which a test run shows as a warning
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_any_other_is_not_and_the_reason_is_told(tmp_path, brokers, signer, valid, met):
    ours = authority(tmp_path, "ours")
    if signer != "ours":
        authority(tmp_path, signer)
    certificate(tmp_path, "rogue", signer, "broker.yard", valid)
    begun_s, transport = time.monotonic(), connect(brokers("rogue"), ours)
    until(lambda: "certificate" in transport.trouble)
    assert "cannot be reached" in transport.trouble
    assert not transport.connected
    transport.close()
    met(
        reaction="none: never connected, it gives no lease, and boards heat", alarm=time.monotonic() - begun_s
    )
