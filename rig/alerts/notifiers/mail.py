"""E-mail by SMTP (RFC 5321): delivered is what the server answered 250 to after the text."""

from __future__ import annotations

import smtplib
from collections.abc import Callable
from datetime import UTC, datetime
from email.message import EmailMessage
from email.utils import format_datetime

from rig.alerts.delivery_outcome import DeliveryOutcome, delivered, refused
from rig.alerts.notifiers import tls
from rig.errors import shown
from rig.rigfile.alerts_section import MailNotifier, endpoint

HELLO = "[127.0.0.1]"
"""Name given to the server: an address literal, since finding the own name may wait for the network."""


def letter(way: MailNotifier, *, key: str, subject: str, text: str, now_ns: int) -> EmailMessage:
    """Return the e-mail. Its Message-ID follows from the key, so that a repeat can be recognised."""
    message = EmailMessage()
    message["From"] = way.sender
    message["To"] = ", ".join(way.to)
    message["Subject"] = subject
    message["Date"] = format_datetime(datetime.fromtimestamp(now_ns // 1_000_000_000, UTC))
    message["Message-ID"] = f"<{key}@{way.sender.rpartition('@')[2]}>"
    message["Auto-Submitted"] = "auto-generated"  # RFC 3834: no holiday replies, please
    message.set_content(text, cte="quoted-printable")
    return message


def send(
    way: MailNotifier,
    message: EmailMessage,
    *,
    secret: str | None,
    timeout_s: float,
    begun: Callable[[], None],
) -> DeliveryOutcome:
    """Return what became of the e-mail. ``begun()`` is called right before the text is sent.

    Raises OSError or SMTPException when the conversation breaks. Without encryption where encryption was
    asked for nothing is sent.
    """
    client = _connected(way, timeout_s)
    try:
        client.ehlo_or_helo_if_needed()
        if way.security == "starttls":
            client.starttls(context=tls.context(way.ca))
        if way.user is not None and secret is not None:
            client.login(way.user, secret)
        code, said = client.mail(way.sender)
        if code != 250:
            return refused(f"the server refused the sender {way.sender}: {code} {shown(said)}")
        answers = {address: client.rcpt(address) for address in way.to}
        turned_away = {who: answer for who, answer in answers.items() if answer[0] not in (250, 251)}
        note = "; ".join(f"{who} refused: {code} {shown(said)}" for who, (code, said) in turned_away.items())
        if len(turned_away) == len(way.to):
            return refused(note)
        begun()
        try:
            code, said = client.data(message.as_bytes(policy=message.policy.clone(linesep="\r\n")))
        except smtplib.SMTPDataError as error:
            return refused(f"the server refused the message: {error.smtp_code} {shown(error.smtp_error)}")
        if code != 250:
            return refused(f"the server refused the message: {code} {shown(said)}")
        client.putcmd("quit")  # its answer is not waited for: the message has arrived
        return delivered(note)
    finally:
        client.close()


def _connected(way: MailNotifier, timeout_s: float) -> smtplib.SMTP:
    host, port = endpoint(way.server)
    if way.security == "tls":
        context = tls.context(way.ca)
        return smtplib.SMTP_SSL(host, port, local_hostname=HELLO, timeout=timeout_s, context=context)
    return smtplib.SMTP(host, port, local_hostname=HELLO, timeout=timeout_s)
