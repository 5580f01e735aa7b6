"""Statistics of what was judged. Pure: no I/O."""
