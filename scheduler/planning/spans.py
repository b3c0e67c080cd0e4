"""How far back and ahead the plan looks, in days."""

DAYS_AHEAD = 7
RECENT_DAYS = 7
BED_DAYS = 30
"""So long before its first day the balance reads weather: climate, and how dry the bed is."""
LOOK_BACK_DAYS = 60
"""Quality control sees that much more than the balance: slow faults show over weeks."""
LEARN_DAYS = 60
"""So far back forecasts are held against what came."""
ASK_BACK_DAYS = 7
"""Runs older than this that nobody answered for count as not given, without asking again."""
