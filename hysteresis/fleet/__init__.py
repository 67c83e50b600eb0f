"""Many runs at once: fitted and figured in parallel, restartable, the same to the last bit."""
