"""Accounts of a recording: what units endured, what that proves, how they differ. Pure functions.

Everything works on what was read back; a plan only says what to compare it with. Times are UTC ns on the
recording's time line, durations end in ``_s``. Names of channels in plans may hold ``{unit}``.
"""
