"""Places: where a setup stands. One file a kind, and what was found put into words.

``structure.look`` runs them. A ``sign`` is +1 for long, and −1 for short, which is the long side on reflected prices.
"""

from scanner.analysis.places.words import PLACE_NAMES, describe, safest

__all__ = ["PLACE_NAMES", "describe", "safest"]
