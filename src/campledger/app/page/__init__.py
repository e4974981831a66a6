"""
The local page: one process serves, a short one works answers out, one writes.

The server never opens the store. Answers are finished files (`answering`); what a
paired phone writes goes through a local socket to `scribe`, which checks it again.
"""
