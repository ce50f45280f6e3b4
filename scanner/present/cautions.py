"""The cautions that stand wherever results are read."""

SHORT = (
    "Not advice and no promise. Past results prove nothing about the future. "
    "Local rules and licensed advice come first."
)
