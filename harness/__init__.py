"""farend: proves that every raised alarm reaches every output where it belongs."""

__version__ = "0.1.0"
