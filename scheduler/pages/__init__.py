"""Results as plain dictionaries: what `--json` prints, `today.json` holds and the text is made from."""
