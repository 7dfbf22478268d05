"""Crops of real films, to train on."""
