"""Bones as closed surfaces: the rest table, the loft that shapes them, the pose that places them."""
