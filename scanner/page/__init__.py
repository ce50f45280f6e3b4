"""The page: what is open, what is near, why and why not, and the journal, to be looked at in a browser of this machine.

It is served from the store alone, in a process of its own, so that nothing that is drawn can hold up a bar close.
"""
