"""Site files: reading, checking, writing drafts. Every message names file and line."""
