"""Files of bars, whatever their form.

``opening`` finds out the kind of a file; ``kinds`` takes it apart into rows; ``cells`` tells which column is which and
reads the numbers; ``times`` reads the times; and ``series`` turns the rows into the bars of each instrument.
``growing`` reads files that another program appends to, with the same parts. ``trouble`` has the error that all of them
raise, and the options that a user may give.
"""
