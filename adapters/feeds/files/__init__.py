"""Reading bars out of files, whatever their form: rows, columns, times, and what is wrong with them."""
