"""A run from start to end: gate, listen, raise, judge."""
