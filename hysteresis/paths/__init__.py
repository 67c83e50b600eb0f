"""Toolpaths in (tables, RS-274), put on the rig's clock; drive signals out (CSV, WAV)."""
