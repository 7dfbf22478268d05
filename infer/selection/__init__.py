"""Finds the dorsoplantar foot films of an archive, and says of every other file why it was left out."""
