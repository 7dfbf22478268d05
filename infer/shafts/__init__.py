"""Outer cortices of the shafts, found on the film's own pixels and weighed against the network's points."""
