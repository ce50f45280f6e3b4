"""Files of bars, whatever their form.

A file goes through four rooms. ``opening`` finds out of which kind it is; ``kinds`` takes it apart into rows; ``cells``
says which column is which and reads the numbers; ``times`` reads the times; and ``series`` makes of them the bars of
each instrument. ``growing`` reads files that another program appends to, by the same rooms. ``trouble`` has the error
that all of them raise, and the options that a user may give.
"""
