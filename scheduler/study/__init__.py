"""Variants of a garden x years: what to run, how it is run and kept, and what it says."""
