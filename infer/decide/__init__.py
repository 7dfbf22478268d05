"""Accepted, review or refused: gates with reasons a person reads."""
