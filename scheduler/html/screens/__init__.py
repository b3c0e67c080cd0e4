"""One function for each screen of the page: plain values and a `Frame` to the whole HTML text.

No request, no file, no clock: who looks, what is open and what time it is stand in the frame. Every screen
works without a script; every form carries the frame's `csrf`, an id of its own (`once`) and the path to come
back to (`here`).
"""
