"""Published examples and worked numbers, done anew on this machine by the core's own functions.

The figures, each with its source, stand in config/selfcheck.yaml.  An answer takes the rows of one case, each
a mapping of inputs, and gives for each row the figures by name; it prepares inputs and calls the core, so
that what it finds is what the program would use.
"""
