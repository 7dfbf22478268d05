"""Compares a run with truth: readings of people, or what a generator knows."""
