"""The report of a study: one page with pictures, tables, stories, the method and the cautions."""
