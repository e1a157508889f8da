"""What each unit endured and what that proves: pure functions."""
