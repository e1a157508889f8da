"""Rules for sensor and instrument faults, found in the readings alone, one file each.

``rig.forensics.rules`` finds them. A file defines ``RULE``, a ``ChannelRule`` or an ``InstrumentRule``, and
the types of fault it tells.
"""
