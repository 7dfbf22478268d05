"""Words of the reports, one file a language."""
