"""The domain: what a plan is, with no trace of the files it came from."""
