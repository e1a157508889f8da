"""MQTT publish with quality of service 1: delivered once the broker acknowledges.

Needs the optional library paho-mqtt (``pip install soakrig[mqtt]``).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from rig.alerts.delivery_outcome import DeliveryOutcome, delivered, refused, unknown
from rig.alerts.notifiers import tls
from rig.clock import SYSTEM
from rig.rigfile.alerts_section import MqttNotifier, endpoint

LOOK_S = 0.2


def publish(
    notifier: MqttNotifier,
    *,
    body: bytes,
    key: str,
    secret: str | None,
    timeout_s: float,
    begun: Callable[[], None],
) -> DeliveryOutcome:
    """Return the outcome of the publish. ``begun()`` is called when connected, before the publish.

    Raises OSError when the connection breaks.
    """
    try:
        from paho.mqtt import client as paho
        from paho.mqtt.enums import CallbackAPIVersion
    except ImportError:
        return refused("the library paho-mqtt is not installed; do: pip install 'soakrig[mqtt]'")
    host, port = endpoint(notifier.server)
    client = paho.Client(CallbackAPIVersion.VERSION2, f"soakrig-{key[:14]}")
    client.connect_timeout = timeout_s
    answers: list[Any] = []
    client.on_connect = lambda _client, _data, _flags, code, _properties: answers.append(code)
    if notifier.user is not None:
        client.username_pw_set(notifier.user, secret)
    if notifier.security == "tls":
        client.tls_set_context(tls.context(notifier.ca))
    deadline_ns = SYSTEM.monotonic_ns() + round(timeout_s * 1e9)
    try:
        client.connect(host, port)
        while not answers:
            if not _went_on(client, deadline_ns) and not answers:
                return refused(f"{host}:{port} accepts connections but does not answer as an MQTT broker")
        if answers[0].is_failure:
            return refused(f"the broker {host}:{port} refused the connection: {answers[0]}")
        begun()
        sent = client.publish(notifier.topic, body, qos=1)
        while not sent.is_published():
            if not _went_on(client, deadline_ns):
                return unknown(f"the broker {host}:{port} did not acknowledge the message")
        client.disconnect()
        return delivered()
    finally:
        client.on_connect = None


def _went_on(client: Any, deadline_ns: int) -> bool:
    """Run the client's loop once; return whether there is a connection and time left."""
    return client.loop(LOOK_S) == 0 and SYSTEM.monotonic_ns() < deadline_ns
