"""The page: open stories, the nearest setups, explanations of bars, and the journal, in a browser.

It is served from the store alone, in its own process, so that drawing cannot delay a bar close.
"""
