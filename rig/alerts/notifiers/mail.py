"""E-mail by SMTP (RFC 5321): delivered once the server answers 250 to the text."""

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
"""Name given to the server: an address literal, since looking up the host name may wait for the network."""


def letter(notifier: MailNotifier, *, key: str, subject: str, text: str, now_ns: int) -> EmailMessage:
    """Return the e-mail. Its Message-ID follows from the key, so that a repeat can be recognised."""
    message = EmailMessage()
    message["From"] = notifier.sender
    message["To"] = ", ".join(notifier.to)
    message["Subject"] = subject
    message["Date"] = format_datetime(datetime.fromtimestamp(now_ns // 1_000_000_000, UTC))
    message["Message-ID"] = f"<{key}@{notifier.sender.rpartition('@')[2]}>"
    message["Auto-Submitted"] = "auto-generated"  # RFC 3834: no holiday replies, please
    message.set_content(text, cte="quoted-printable")
    return message


def send(
    notifier: MailNotifier,
    message: EmailMessage,
    *,
    secret: str | None,
    timeout_s: float,
    begun: Callable[[], None],
) -> DeliveryOutcome:
    """Return the outcome of the e-mail. ``begun()`` is called right before the text is sent.

    Raises OSError or SMTPException when the conversation breaks. Without encryption where encryption was
    asked for nothing is sent.
    """
    client = _connected(notifier, timeout_s)
    try:
        client.ehlo_or_helo_if_needed()
        if notifier.security == "starttls":
            client.starttls(context=tls.context(notifier.ca))
        if notifier.user is not None and secret is not None:
            client.login(notifier.user, secret)
        code, said = client.mail(notifier.sender)
        if code != 250:
            return refused(f"the server refused the sender {notifier.sender}: {code} {shown(said)}")
        answers = {address: client.rcpt(address) for address in notifier.to}
        turned_away = {who: answer for who, answer in answers.items() if answer[0] not in (250, 251)}
        note = "; ".join(f"{who} refused: {code} {shown(said)}" for who, (code, said) in turned_away.items())
        if len(turned_away) == len(notifier.to):
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


def _connected(notifier: MailNotifier, timeout_s: float) -> smtplib.SMTP:
    host, port = endpoint(notifier.server)
    if notifier.security == "tls":
        context = tls.context(notifier.ca)
        return smtplib.SMTP_SSL(host, port, local_hostname=HELLO, timeout=timeout_s, context=context)
    return smtplib.SMTP(host, port, local_hostname=HELLO, timeout=timeout_s)
