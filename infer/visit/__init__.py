"""The visit: one person, explained and followed over time, as a report for the record and for the conversation."""
