"""The reference page of measures (``measure/REFERENCE.md``) and its drawings."""
