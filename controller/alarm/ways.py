"""The ways out: mail by SMTP, messengers by Apprise; each bounded in time whatever the other end does."""

import queue
import smtplib
import ssl
import threading
from collections import Counter
from collections.abc import Callable, Mapping
from email.message import EmailMessage
from email.utils import formatdate, make_msgid
from functools import partial
from pathlib import Path

from controller.errors import DeliveryError
from controller.site.people import Alarm, Mail, Messenger

# One operation on the connection, and the whole of a delivery [s].
SOCKET_S = 15.0
DEADLINE_S = 60.0
# So many deliveries of a way may hang before it is not tried again.
MOST_HUNG = 2

# Hands over a subject and a text; raises ``DeliveryError``.
Send = Callable[[str, str], None]

_hung: Counter[str] = Counter()
_hung_lock = threading.Lock()


def ways_of(alarm: Alarm) -> Mapping[str, Send]:
    """Return how to send on each way of a site."""
    mail: dict[str, Send] = {way.name: partial(send_mail, way) for way in alarm.mail}
    push: dict[str, Send] = {way.name: partial(send_push, way) for way in alarm.messenger}
    return {name: _bounded(name, send) for name, send in (mail | push).items()}


def _bounded(name: str, send: Send, deadline_s: float = DEADLINE_S) -> Send:
    """Return ``send``, given up at a deadline: a server that drips its answer would hold it for ever."""

    def bounded(subject: str, text: str) -> None:
        with _hung_lock:
            if _hung[name] >= MOST_HUNG:
                raise DeliveryError(f"{name}: {MOST_HUNG} earlier deliveries still hang")
            _hung[name] += 1
        outcome: queue.SimpleQueue[DeliveryError | None] = queue.SimpleQueue()

        def work() -> None:
            try:
                send(subject, text)
                outcome.put(None)
            except DeliveryError as error:
                outcome.put(error)
            except Exception as error:  # noqa: BLE001 (a thread's edge: whatever a library does is no delivery)
                outcome.put(DeliveryError(f"{name}: not sent ({type(error).__name__})"))
            finally:
                with _hung_lock:
                    _hung[name] -= 1

        threading.Thread(target=work, name=f"send {name}", daemon=True).start()
        try:
            trouble = outcome.get(timeout=deadline_s)
        except queue.Empty:
            raise DeliveryError(f"{name}: not taken within {deadline_s:.0f} s") from None
        if trouble is not None:
            raise trouble

    return bounded


def read_secret(path: str, what: str) -> str:
    """Return the text of a secret's file without its last line break."""
    try:
        return Path(path).read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        cause = getattr(error, "strerror", None) or "not UTF-8"
        raise DeliveryError(f"{path}: {what} cannot be read ({cause})") from error


def send_mail(way: Mail, subject: str, text: str) -> None:
    """Hand a mail to its server; raise ``DeliveryError`` unless the server takes it for every address."""
    message = EmailMessage()
    message["From"], message["To"] = way.sender, ", ".join(way.to)
    message["Subject"] = "".join(c if c.isprintable() else " " for c in subject)
    message["Date"] = formatdate()
    message["Message-ID"] = make_msgid(domain=way.sender.rpartition("@")[2])
    message["Auto-Submitted"] = "auto-generated"  # RFC 3834: nobody's holiday notice answers it
    message.set_content(text)
    place = f"{way.name}: {way.host}:{way.port}"
    try:
        with _connect(way) as server:
            if way.user is not None and way.password_file is not None:
                server.login(way.user, read_secret(way.password_file, "the mail password"))
            refused = server.send_message(message)
    except smtplib.SMTPAuthenticationError as error:
        raise DeliveryError(f"{place} refuses user or password ({error.smtp_code})") from error
    except smtplib.SMTPResponseException as error:
        raise DeliveryError(f"{place} answered {error.smtp_code}") from error
    except ssl.SSLError as error:
        raise DeliveryError(f"{place}: no trusted TLS connection ({error.reason})") from error
    except (OSError, smtplib.SMTPException) as error:
        raise DeliveryError(f"{place} not reached ({type(error).__name__})") from error
    if refused:
        raise DeliveryError(f"{place} does not take mail for {', '.join(sorted(refused))}")


def _connect(way: Mail) -> smtplib.SMTP:
    trust = None if way.security == "none" else ssl.create_default_context(cafile=way.ca_file)
    if way.security == "tls":
        return smtplib.SMTP_SSL(way.host, way.port, timeout=SOCKET_S, context=trust)
    server = smtplib.SMTP(way.host, way.port, timeout=SOCKET_S)
    if way.security == "starttls":
        try:
            server.starttls(context=trust)
        except BaseException:
            server.close()
            raise
    return server


def send_push(way: Messenger, subject: str, text: str) -> None:
    """Hand a message to a messenger through Apprise; raise ``DeliveryError`` unless all addresses take it."""
    try:
        import apprise  # noqa: PLC0415 (an extra; most sites do without)
    except ImportError as error:
        raise DeliveryError(f"{way.name}: Apprise is not installed; pip install 'rimeward[alarm]'") from error
    messengers = apprise.Apprise()
    for line in read_secret(way.address_file, "the messenger's address").splitlines():
        if line.strip() and not messengers.add(line.strip()):
            raise DeliveryError(f"{way.name}: {way.address_file} holds an address Apprise does not know")
    if not len(messengers):
        raise DeliveryError(f"{way.name}: {way.address_file} holds no address")
    if not messengers.notify(title=subject, body=text):
        raise DeliveryError(f"{way.name}: the messenger did not take it")
