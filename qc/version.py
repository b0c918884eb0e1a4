"""The version of Fairvane, one place."""

__version__ = "0.1.0"
