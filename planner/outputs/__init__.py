"""Outputs: map, run sheets, tables."""
