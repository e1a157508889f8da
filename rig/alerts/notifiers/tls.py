"""TLS of all notifiers: certificates are always checked."""

from __future__ import annotations

import ssl


def context(ca: str | None) -> ssl.SSLContext:
    """Return a context that trusts the machine's authorities, or those in the file ``ca`` alone."""
    return ssl.create_default_context(cafile=ca)
