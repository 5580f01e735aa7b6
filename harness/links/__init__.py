"""One listener a protocol. Bytes in, stamped observations out; nothing here writes to a device."""
