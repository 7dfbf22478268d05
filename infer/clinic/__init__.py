"""The desk of a clinic: films are dropped on a page, measured, settled, grouped by person, and reported."""
