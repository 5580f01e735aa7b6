"""Finders of likely causes, one module a layer, from the wire upwards. Each takes a case and gives findings. Pure."""
