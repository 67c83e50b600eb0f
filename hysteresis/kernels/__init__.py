"""Compiled loops: arrays and states in, arrays and states out. Nothing here knows of files."""
