"""One module per revision, named by it."""
