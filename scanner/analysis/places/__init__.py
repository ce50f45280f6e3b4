"""Places: where a setup is on the chart. One file for each kind, and words for what was found.

``structure.look`` runs them. A ``sign`` is +1 for long and −1 for short, which is the long side on reflected prices.
"""

from scanner.analysis.places.words import PLACE_NAMES, describe, safest

__all__ = ["PLACE_NAMES", "describe", "safest"]
