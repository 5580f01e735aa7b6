"""The words of farend as types: instants, the model of a site, evidence, verdicts, errors. No I/O."""
