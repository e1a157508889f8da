"""Bytes on the wire: transports, and the shell that carries out one exchange within its deadline."""
