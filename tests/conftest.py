"""Makes the helpers beside it (`verify_data`, `run_on_disk`) importable from every test folder."""
