"""Outputs: text, tables, files, the summary, and one whole run."""
