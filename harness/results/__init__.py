"""What a record comes to: its steps, corrections and evidence, judged; what is left open, and what is told of it."""
