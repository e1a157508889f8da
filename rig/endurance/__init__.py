"""Accounts of a recording: exposure, margins, verdict, comparison of units. Pure functions.

Everything is computed from readback and compared with the plan. Times are UTC ns on the
recording's time line, durations end in ``_s``. Names of channels in plans may hold ``{unit}``.
"""
