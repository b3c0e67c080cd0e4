"""All facts as one open text file, one line a fact; out of a store, and into another.

JSON Lines (https://jsonlines.org): a header, then kind by kind the facts in the order of recording. `kinds`
says what a line holds, `judge` whether one does, `writing` and `reading` carry a store out and in, `merging`
lays what comes in among what is there.
"""
