"""Text, tables and JSON from what forensics and account return."""
