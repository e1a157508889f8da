"""Rules for the cause of excursions that no sensor or instrument fault explains, one file each.

``rig.forensics.rules`` finds them. A file defines ``RULE``, an ``AttributionRule``.
"""
