"""Weather in: files and services to plain daily values, each with its source; nothing is repaired here."""
