"""The `rowwater` command; each subcommand is imported only when it is called."""
