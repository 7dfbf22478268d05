"""What a run leaves in its folder: tables, overlays and the account of the run."""
