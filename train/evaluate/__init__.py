"""Compares a run with truth."""
