"""The journal of a run: one SQLite file, append-only, safe against crashes."""
