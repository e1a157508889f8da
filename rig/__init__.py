"""soakrig: data logger and failure forensics for an endurance room."""

__version__ = "0.1.0"
