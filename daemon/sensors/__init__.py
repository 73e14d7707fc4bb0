"""The doors to the hardware: one module for each interface, read-only."""
