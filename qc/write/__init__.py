"""Outputs, each written whole or not at all."""
