"""Notifiers, one module each; each runs in a delivery process of its own and imports no other."""
