"""From samples to sightings, from stimuli and expectations to verdicts. Pure: no I/O, no clock, no logging."""
