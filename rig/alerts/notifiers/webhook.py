"""Webhook, an HTTP POST of JSON: delivered only on a status from 200 to 299.

Redirects are not followed and proxies not used: the message, and the token, go to the server that the
rig file names and nowhere else. The key goes into the header ``Idempotency-Key``.
"""

from __future__ import annotations

import http.client
from collections.abc import Callable
from urllib.parse import urlsplit

from rig.alerts.delivery_outcome import DeliveryOutcome, delivered, refused
from rig.alerts.notifiers import tls
from rig.errors import UsageError, shown
from rig.rigfile.alerts_section import LOOPBACK, WebhookNotifier, check_url

MOST_READ = 65536


def post(
    notifier: WebhookNotifier,
    *,
    url: str,
    body: bytes,
    key: str,
    secret: str | None,
    timeout_s: float,
    begun: Callable[[], None],
) -> DeliveryOutcome:
    """Return the outcome of the post. ``begun()`` is called after connecting, before anything is sent.

    url: the way's own, or what stands where it points. Raises OSError or HTTPException when the
    conversation breaks, UsageError for a URL that is none.
    """
    try:
        check_url(url)
    except ValueError as error:
        raise UsageError(f"webhook {notifier.url if notifier.url != url else ''}: {error}".strip()) from None
    parts = urlsplit(url)
    host = parts.hostname or ""
    encrypted = parts.scheme == "https"
    if secret is not None and not encrypted and host not in LOOPBACK and not notifier.clear_secret_ok:
        return refused(f"the token would cross the network to {host} in clear; use https")
    connection: http.client.HTTPConnection
    if encrypted:
        context = tls.context(notifier.ca)
        connection = http.client.HTTPSConnection(host, parts.port, timeout=timeout_s, context=context)
    else:
        connection = http.client.HTTPConnection(host, parts.port, timeout=timeout_s)
    headers = {
        "Content-Type": "application/json; charset=utf-8",
        "User-Agent": "soakrig",
        "Idempotency-Key": f'"{key}"',
        "Connection": "close",
    }
    if secret is not None:
        headers["Authorization"] = f"Bearer {secret}"
    try:
        connection.connect()
        begun()
        target = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
        connection.request("POST", target, body, headers)
        return _judged(notifier, connection.getresponse(), host)
    finally:
        connection.close()


def _judged(notifier: WebhookNotifier, answer: http.client.HTTPResponse, host: str) -> DeliveryOutcome:
    words = f"{host} answered {answer.status} {shown(answer.reason)}"
    if 300 <= answer.status < 400:
        return refused(f"{words}: a redirect, which is not followed; name the final URL")
    if not 200 <= answer.status < 300:
        return refused(words)
    if notifier.expect and notifier.expect.encode() not in answer.read(MOST_READ):
        return refused(f"{words}, but without the text {shown(notifier.expect)}")
    return delivered()
