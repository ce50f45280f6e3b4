"""From the rows of files to the bars of instruments, each a series of its own."""
