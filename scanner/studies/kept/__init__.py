"""What is kept of studies: the ledger of looks beside the bars, and the record quoted in alerts."""
