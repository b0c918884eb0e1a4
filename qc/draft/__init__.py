"""What is this table? A station file proposed from tables."""
