"""What the numbers of a locator's map mean, for all networks that give one."""

UNIT = 32.0
"""Pixels per unit of a predicted anchor offset."""
