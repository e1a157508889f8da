"""Which channel went first, and how sure: pure functions over arrays."""
