"""Rowwater: which drip-tape rows get water today, how long and when."""
