"""The ways out, against aiosmtpd (an independent SMTP server, RFC 5321) and Apprise's own JSON messenger."""

import logging
import shutil
import socket
import ssl
import subprocess
import threading
from email import message_from_bytes
from email.policy import default
from http.server import BaseHTTPRequestHandler, HTTPServer

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult

from controller.alarm import ways as module
from controller.alarm.dead_man import tell_alive
from controller.alarm.ways import send_mail, ways_of
from controller.errors import DeliveryError
from controller.site.people import Alarm, DeadMan, Mail, Messenger

SECRET = "a-secret-nobody-shall-read"


class Box:
    """Takes mail; ``refuse`` is answered in place of taking it."""

    def __init__(self, refuse=""):
        self.refuse, self.mail = refuse, []

    async def handle_DATA(self, _server, _session, envelope):  # noqa: N802 (the library asks for this name)
        if self.refuse:
            return self.refuse
        self.mail.append(message_from_bytes(envelope.content, policy=default))
        self.to = envelope.rcpt_tos
        return "250 taken"


def start(box, **options):
    logging.getLogger("mail.log").setLevel(logging.CRITICAL)
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    server = Controller(box, hostname="127.0.0.1", port=port, **options)
    server.start()
    return server, port


@pytest.fixture
def served():
    servers = []

    def serve(box, **options):
        server, port = start(box, **options)
        servers.append(server)
        return port

    yield serve
    for server in servers:
        server.stop()


def way(port, **others):
    fields = {
        "name": "nora",
        "host": "127.0.0.1",
        "security": "none",
        "sender": "frost@curlew-yard.example",
        "to": ("nora@curlew-yard.example", "tom@curlew-yard.example"),
    }
    return Mail.model_validate({**fields, "port": port, **others})


def password(tmp_path):
    file = tmp_path / "password"
    file.write_text(SECRET + "\n")
    return str(file)


def test_mail_arrives_whole_with_the_headers_mail_needs(served):
    box = Box()
    send_mail(way(served(box)), "Curlew Yard: too cold\r\nBcc: x@y.example", "-1.5 °C at lemon.\n")
    (mail,) = box.mail
    assert mail["Subject"] == "Curlew Yard: too cold  Bcc: x@y.example"
    assert mail["Bcc"] is None
    assert mail.get_content().splitlines() == ["-1.5 °C at lemon."]
    assert box.to == ["nora@curlew-yard.example", "tom@curlew-yard.example"]
    assert mail["Date"]
    assert mail["Message-ID"].endswith("@curlew-yard.example>")
    assert mail["Auto-Submitted"] == "auto-generated"  # RFC 3834 section 5


@pytest.fixture(scope="module")
def certificate(tmp_path_factory):
    if shutil.which("openssl") is None:
        pytest.skip("openssl is not installed")
    folder = tmp_path_factory.mktemp("tls")
    words = ("req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=localhost")
    files = ("-keyout", folder / "key.pem", "-out", folder / "cert.pem")
    name = ("-addext", "subjectAltName=IP:127.0.0.1")
    subprocess.run(["openssl", *words, *name, *files], check=True, capture_output=True)
    return folder


def context_of(folder):
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.load_cert_chain(folder / "cert.pem", folder / "key.pem")
    return context


def only_nora(server, session, envelope, mechanism, data):
    return AuthResult(success=(data.login, data.password) == (b"nora", SECRET.encode()), handled=False)


def test_the_password_goes_only_through_tls(served, certificate, tmp_path):
    box = Box()
    port = served(
        box,
        tls_context=context_of(certificate),
        require_starttls=True,
        auth_required=True,
        authenticator=only_nora,
    )
    login = {"user": "nora", "password_file": password(tmp_path)}
    trusted = {"security": "starttls", "ca_file": str(certificate / "cert.pem"), **login}
    send_mail(way(port, **trusted), "s", "t")
    assert len(box.mail) == 1
    with pytest.raises(DeliveryError, match="no trusted TLS connection"):
        send_mail(way(port, security="starttls", **login), "s", "t")
    (tmp_path / "password").write_text("wrong")
    with pytest.raises(DeliveryError, match=r"refuses user or password \(535\)"):
        send_mail(way(port, **trusted), "s", "t")


def test_mail_by_tls_from_the_first_byte(served, certificate):
    box = Box()
    port = served(box, ssl_context=context_of(certificate))
    send_mail(way(port, security="tls", ca_file=str(certificate / "cert.pem")), "s", "t")
    assert len(box.mail) == 1


def test_a_server_that_refuses_is_a_failure(served):
    with pytest.raises(DeliveryError, match="answered 452"):
        send_mail(way(served(Box("452 mailbox full"))), "s", "t")


def test_a_server_that_is_not_there_is_a_failure():
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        with pytest.raises(DeliveryError, match="not reached"):
            send_mail(way(taken.getsockname()[1]), "s", "t")


def test_a_password_that_cannot_be_read_is_named_and_never_shown(served, tmp_path):
    port = served(Box())
    with pytest.raises(DeliveryError, match="the mail password cannot be read"):
        send_mail(way(port, user="nora", password_file=str(tmp_path / "none")), "s", "t")


def test_a_server_that_never_speaks_is_given_up_at_the_deadline(monkeypatch):
    with socket.socket() as silent:
        silent.bind(("127.0.0.1", 0))
        silent.listen()
        mail = way(silent.getsockname()[1])
        send = module._bounded("never", lambda s, t: send_mail(mail, s, t), deadline_s=0.05)
        for _ in range(module.MOST_HUNG):
            with pytest.raises(DeliveryError, match="not taken within"):
                send("s", "t")
        with pytest.raises(DeliveryError, match="earlier deliveries still hang"):
            send("s", "t")


def test_whatever_a_library_does_is_a_failure_and_not_a_crash():
    def fails(subject, text):
        raise ZeroDivisionError("a fault put in by the test")

    with pytest.raises(DeliveryError, match=r"odd: not sent \(ZeroDivisionError\)"):
        module._bounded("odd", fails)("s", "t")


class _Handler(BaseHTTPRequestHandler):
    def do_POST(self):
        self.server.bodies.append(self.rfile.read(int(self.headers["Content-Length"])))
        self.send_response(self.server.status)
        self.end_headers()

    def do_GET(self):
        self.server.paths.append(self.path)
        self.send_response(self.server.status)
        self.end_headers()

    def log_message(self, *_):
        pass


@pytest.fixture
def web():
    server = HTTPServer(("127.0.0.1", 0), _Handler)
    server.bodies, server.paths, server.status = [], [], 200
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield server
    server.shutdown()
    thread.join()
    server.server_close()


@pytest.mark.filterwarnings("ignore::DeprecationWarning")  # the library's own
def test_a_messenger_is_reached_through_apprise(web, tmp_path):
    pytest.importorskip("apprise")
    file = tmp_path / "address"
    file.write_text(f"\njson://127.0.0.1:{web.server_port}/{SECRET}\n")
    send = ways_of(Alarm(messenger=(Messenger(name="push", address_file=str(file)),)))["push"]
    send("Curlew Yard: too cold", "-1.5 °C at lemon")
    assert b"Curlew Yard: too cold" in web.bodies[0]
    web.status = 500
    with pytest.raises(DeliveryError, match="did not take it") as error:
        send("s", "t")
    assert SECRET not in str(error.value)


@pytest.mark.parametrize(("text", "match"), [("\n", "holds no address"), ("nonsense", "does not know")])
def test_a_messenger_without_a_sound_address_is_named(tmp_path, text, match):
    pytest.importorskip("apprise")
    file = tmp_path / "address"
    file.write_text(text)
    with pytest.raises(DeliveryError, match=match):
        module.send_push(Messenger(name="push", address_file=str(file)), "s", "t")


def test_without_apprise_the_way_says_what_to_install(monkeypatch):
    monkeypatch.setitem(__import__("sys").modules, "apprise", None)
    with pytest.raises(DeliveryError, match=r"pip install 'rimeward\[alarm\]'"):
        module.send_push(Messenger(name="push", address_file="/none"), "s", "t")


def test_the_dead_man_is_fetched_and_its_secret_never_shown(web, tmp_path):
    file = tmp_path / "address"
    file.write_text(f"http://127.0.0.1:{web.server_port}/{SECRET}\n")
    dead_man = DeadMan(address_file=str(file))
    tell_alive(dead_man)
    assert web.paths == [f"/{SECRET}"]
    web.status = 404
    with pytest.raises(DeliveryError, match="expected 200, got 404") as error:
        tell_alive(dead_man)
    assert SECRET not in str(error.value)
    file.write_text("not an address")
    with pytest.raises(DeliveryError, match="expected one https address"):
        tell_alive(dead_man)
    file.write_text(f"http://127.0.0.1:1/{SECRET}")
    with pytest.raises(DeliveryError) as error:
        tell_alive(dead_man)
    assert SECRET not in str(error.value)
