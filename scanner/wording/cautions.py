"""The cautions shown wherever results are read, in short and in full."""

SHORT = (
    "Not advice and no promise. Past results prove nothing about the future. "
    "Local rules and licensed advice come first."
)
"""At the foot of every report and alert."""

FULL = (
    "This is a measurement by fixed rules on closed bars, not advice, and it promises nothing: "
    "the program knows neither you nor your means. "
    "Past results, lived or replayed, prove nothing about the future. "
    "A stop limits a loss only where the market trades at its price; gaps, halts and borrowed money can make the loss "
    "larger than planned, even larger than the deposit. "
    "The laws of the place where you live come first, and so does the advice of someone licensed to give it there."
)
"""Where there is room: emails, pages and documents."""
