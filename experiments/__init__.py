"""Studies: one TOML definition and one narrated script per question."""
